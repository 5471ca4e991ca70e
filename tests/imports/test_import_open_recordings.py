"""Two more open recordings, compared with pandas and with what is stated beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from logger.errors import ImportRefused
from logger.imports import Profile, import_file
from logger.imports.importer import checked
from logger.imports.preview import preview_of
from logger.imports.profile import Column
from logger.instants import NS
from logger.model import Setup

DATA = Path(__file__).resolve().parents[1] / "data"
FOUR = DATA / "uci_room_occupancy_4probe" / "Occupancy_Estimation.csv"
OFFICE = DATA / "nab_temperature" / "ambient_temperature_system_failure.csv"
NOW = 1_900_000_000 * NS


@pytest.mark.slow
def test_four_probes_side_by_side_equal_the_reading_of_pandas(memory: Any, setup: Setup) -> None:
    """10129 rows, date and time of day in two columns, 141 gaps; the two long ones as stated."""
    columns = tuple(Column(f"S{n}_Temp", f"P{n}.temperature", "degC") for n in range(1, 5))
    profile = Profile("four", ("Date", "Time"), columns, zone="UTC")
    store = memory()
    result = import_file(FOUR, profile, store, setup, "Greta Holm", NOW)
    assert (result.rows, result.stored, len(result.conflicts)) == (10129, 4 * 10129, 0)
    theirs = pd.read_csv(FOUR)
    taken_ns = pd.to_datetime(theirs["Date"] + " " + theirs["Time"], format="%Y/%m/%d %H:%M:%S")
    for column in columns:
        mine = [r for r in store.rows if r.channel == column.channel]
        assert [r.value for r in mine] == theirs[column.heading].tolist()
        assert [r.taken_ns for r in mine] == taken_ns.dt.as_unit("ns").astype("int64").tolist()
    axes = preview_of(checked(FOUR.name, FOUR.read_bytes(), profile, setup, NOW)).axes
    longest = sorted(end - begin for begin, end in axes[0].gaps)[-2:]
    assert [round(ns / NS / 86_400, 1) for ns in longest] == [1.0, 15.3]


def test_hourly_office_temperatures_in_fahrenheit(memory: Any, setup: Setup) -> None:
    """7267 rows and ten gaps as stated, the longest 626 400 s; values converted as pandas and hand would."""
    column = Column("value", "P1.temperature", "degF")
    profile = Profile("office", ("timestamp",), (column,), zone="UTC")
    store = memory()
    result = import_file(OFFICE, profile, store, setup, "Greta Holm", NOW)
    theirs = pd.read_csv(OFFICE, parse_dates=["timestamp"])
    assert result.stored == len(theirs) == 7267
    values = np.array([r.value for r in store.rows])
    np.testing.assert_allclose(values, (theirs["value"] - 32) / 1.8, rtol=0, atol=1e-9)
    (axis,) = preview_of(checked(OFFICE.name, OFFICE.read_bytes(), profile, setup, NOW)).axes
    assert (len(axis.gaps), axis.step_s) == (10, 3600.0)
    assert max(end - begin for begin, end in axis.gaps) == 626_400 * NS


def test_what_the_office_recording_does_not_tell_is_asked(memory: Any, setup: Setup) -> None:
    for declared, question in (({"zone": None}, "In which time zone"), ({"zone": "UTC"}, "In which unit")):
        profile = Profile("office", ("timestamp",), (Column("value", "P1.temperature"),), **declared)
        with pytest.raises(ImportRefused, match=question):
            import_file(OFFICE, profile, memory(), setup, "Greta Holm", NOW)


def test_its_hour_that_summer_time_skips_is_refused(memory: Any, setup: Setup) -> None:
    """Read as local time of New York the recording has a row at 02:00 on 2014-03-09, which did not exist
    there.
    """
    profile = Profile(
        "office", ("timestamp",), (Column("value", "P1.temperature", "degF"),), zone="America/New_York"
    )
    with pytest.raises(ImportRefused, match=r"New_York (repeats|skips)|2014-03-09 02:00:00 does not exist"):
        import_file(OFFICE, profile, memory(), setup, "Greta Holm", NOW)
