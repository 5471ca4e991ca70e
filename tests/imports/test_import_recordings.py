"""Real and sample recordings, compared with another reader and with what their makers state."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from logger.config import example_folder, load, load_texts
from logger.errors import ImportRefused
from logger.imports import Profile, choose_profile, import_file, load_profile
from logger.imports.profile import Column
from logger.instants import NS
from logger.model import Setup

ROOT = Path(__file__).resolve().parents[2]
OCCUPANCY = ROOT / "tests" / "data" / "uci_occupancy" / "datatest.txt"
SAMPLES = ROOT / "sample_logs"


@pytest.fixture(scope="module")
def office() -> Setup:
    """The example with a CO2 channel beside temperature and humidity."""
    texts = dict(load(example_folder()).texts)
    keys = 'quantity = "co2"\nunit = "ppm"\nresolution = 1.0\nprobe_span = [0.0, 5000.0]\n'
    co2 = "\n[probes.P1.channels.co2]\n" + keys
    texts["probes.toml"] = texts["probes.toml"].replace("\n[probes.P2]", co2 + "\n[probes.P2]")
    return load_texts(texts).setup


def test_the_open_occupancy_recording_equals_the_reading_of_pandas(memory: Any, office: Setup) -> None:
    """2665 rows, one name fewer in the header than cells in a row: values and times are equal bit for bit."""
    columns = (
        Column("Temperature", "P1.temperature", "degC"),
        Column("Humidity", "P1.relative_humidity", "%RH"),
        Column("CO2", "P1.co2", "ppm"),
    )
    profile = Profile("occupancy", ("date",), columns, zone="Europe/Brussels", unnamed_first_column=True)
    store = memory()
    result = import_file(OCCUPANCY, profile, store, office, "Greta Holm", 1_900_000_000 * NS)
    assert (result.rows, result.stored, result.flagged) == (2665, 3 * 2665, 0)
    theirs = pd.read_csv(OCCUPANCY, index_col=0, parse_dates=["date"])
    taken_ns = (
        theirs["date"].dt.tz_localize("Europe/Brussels").dt.tz_convert("UTC").dt.as_unit("ns").astype("int64")
    )
    for column in columns:
        mine = [r for r in store.rows if r.channel == column.channel]
        assert [r.value for r in mine] == theirs[column.heading].tolist()
        assert [r.taken_ns for r in mine] == taken_ns.tolist()


def test_a_header_with_one_name_fewer_is_refused_unless_declared(memory: Any, office: Setup) -> None:
    profile = Profile("occupancy", ("date",), (Column("Temperature", "P1.temperature", "degC"),), zone="UTC")
    with pytest.raises(ImportRefused, match=r"has 8 columns, expected 7.*unnamed_first_column = true"):
        import_file(OCCUPANCY, profile, memory(), office, "Greta Holm", 1_900_000_000 * NS)


@pytest.fixture(scope="module")
def profiles() -> list[Profile]:
    return [load_profile(path) for path in sorted((example_folder() / "profiles").glob("*.toml"))]


# Rows per channel and rows without a value, as sample_logs/README.md states them.
STATED = {
    "machine-bay.csv": (6, 20_140, 0, "2026-10-11T22:00", "2026-10-25T23:00"),
    "plate-bench.csv": (6, 20_220, 12, "2026-10-11T22:00", "2026-10-25T23:00"),
    "barometer.txt": (1, 20_220, 0, "2026-10-11T22:00", "2026-10-25T23:00"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", STATED)
def test_sample_logs_give_what_their_readme_states(
    memory: Any, setup: Setup, profiles: list[Profile], name: str
) -> None:
    channels, rows, flagged, first, last = STATED[name]
    path = SAMPLES / name
    store = memory()
    result = import_file(path, choose_profile(path, profiles), store, setup, "Greta Holm", 1_900_000_000 * NS)
    assert (result.rows, result.stored, result.flagged) == (rows, channels * rows, flagged)
    assert result.duplicates == len(result.conflicts) == 0
    ends = [np.datetime64(at).astype("datetime64[ns]").astype(np.int64) for at in (first, last)]
    taken_ns = np.array([r.taken_ns for r in store.rows if r.channel == store.rows[0].channel])
    assert ends[0] <= taken_ns[0]
    assert taken_ns[-1] < ends[1]
    assert (np.diff(taken_ns) > 0).all()


@pytest.mark.slow
def test_the_repeated_hour_of_the_sample_log_equals_the_reading_of_pandas(
    memory: Any, setup: Setup, profiles: list[Profile]
) -> None:
    """pandas resolves the hour by ambiguous="infer", which is another program's way to the same instants."""
    path = SAMPLES / "plate-bench.csv"
    store = memory()
    import_file(path, choose_profile(path, profiles), store, setup, "Greta Holm", 1_900_000_000 * NS)
    theirs = pd.read_csv(
        path, sep=";", decimal=",", encoding="cp1252", skiprows=[0, 1, 2, 4], na_values=["---"]
    )
    local = pd.to_datetime(theirs["Zeit"], format="%d.%m.%Y %H:%M:%S")
    utc = local.dt.tz_localize("Europe/Vienna", ambiguous="infer").dt.tz_convert("UTC").dt.as_unit("ns")
    mine = [r for r in store.rows if r.channel == "P5.temperature"]
    assert [r.taken_ns for r in mine] == utc.astype("int64").tolist()
    values = np.array([np.nan if r.value is None else r.value for r in mine])
    np.testing.assert_array_equal(values, theirs["P5 Temperatur"].to_numpy())
