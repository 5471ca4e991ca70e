"""`import stillroom`: tables that agree with the record, and a folder of which no byte changes."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from types import ModuleType
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from logger.config import in_force
from logger.core.calibration.apply import correct_readings
from logger.instants import NS, parse
from logger.model import Row
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.command_line import run_here

from .conftest import ROOT

VIENNA = ZoneInfo("Europe/Vienna")
DAY = ("2026-10-19", "2026-10-20")
FORTNIGHT = ("2026-10-12", "2026-10-26")
T1 = "P1.temperature"


@pytest.fixture
def room(stillroom_package: ModuleType, demo_history: Path) -> Iterator[Any]:
    with stillroom_package.open(demo_history) as opened:
        yield opened


def digests(folder: Path) -> dict[str, tuple[str, int]]:
    """Every file of a folder with the digest of its bytes and its time."""
    files = (file for file in sorted(folder.rglob("*")) if file.is_file())
    return {file.relative_to(folder).as_posix(): _mark(file) for file in files}


def _mark(file: Path) -> tuple[str, int]:
    return hashlib.sha256(file.read_bytes()).hexdigest(), file.stat().st_mtime_ns


def everything(room: Any) -> None:
    """Call each method once."""
    room.zones(), room.channels(), room.studies()
    room.readings(T1, *FORTNIGHT, quality=True)
    room.grid([T1], *DAY)
    room.verdicts("machine-bay", *FORTNIGHT)
    room.excursions(None, *FORTNIGHT)
    room.cases(None, *FORTNIGHT)
    room.check("machine-bay", "2026-10-19T09:30", "2026-10-19T11:00")


def test_no_byte_of_the_folder_changes(stillroom_package: ModuleType, demo_copy: Path) -> None:
    """Neither of a record at rest nor of one whose newest readings nobody has judged yet."""
    before = digests(demo_copy)
    with stillroom_package.open(demo_copy) as room:
        everything(room)
    assert digests(demo_copy) == before
    with Store.open(demo_copy) as store:
        at_ns = parse("2026-10-19T10:00:30", VIENNA)
        store.append("late", [Row(T1, at_ns, at_ns + NS, 25.0)])
    before = digests(demo_copy)
    with stillroom_package.open(demo_copy) as room:
        everything(room)
        with pytest.raises(stillroom_package.StoreError, match="reading only"):
            room._store.append("poll", [Row(T1, at_ns, at_ns, 20.0)])
    assert digests(demo_copy) == before


def test_readings_are_those_of_the_record(room: Any, demo_history: Path) -> None:
    """Values, corrections and U as store and certificates give them; instants to the nanosecond."""
    table = room.readings(T1, *DAY)
    span = [parse(day, VIENNA) for day in DAY]
    with Store.open(demo_history, read_only=True) as store:
        setup = in_force(store.setups.versions()).setup
        stored = store.readings.read(T1, *span)
    expected = correct_readings(setup.channels[T1], setup.certificates_of(T1), stored.taken_ns, stored.value)
    assert table.index.as_unit("ns").asi8.tolist() == stored.taken_ns.tolist()
    assert str(table.index.tz) == "Europe/Vienna"
    np.testing.assert_array_equal(table["indicated_degC"], stored.value)
    np.testing.assert_array_equal(table["corrected_degC"], expected.value)
    np.testing.assert_array_equal(table["U_K"], expected.U)
    assert table.attrs["simulated"] is True
    assert table.attrs["channel"] == T1


def test_a_day_of_25_hours(room: Any) -> None:
    """On 2026-10-25 clocks in Vienna go back (IANA time zone database): an hour occurs twice."""
    table = room.grid([T1], "2026-10-25", "2026-10-26")
    assert len(table) == 25 * 60
    twice = table[table.index.strftime("%H:%M") == "02:30"]
    assert [str(at) for at in twice.index] == ["2026-10-25 02:30:00+02:00", "2026-10-25 02:30:00+01:00"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("start", "end"),
    [
        (date(2026, 10, 19), date(2026, 10, 20)),
        (datetime(2026, 10, 19), datetime(2026, 10, 20)),
        (datetime(2026, 10, 18, 22, tzinfo=UTC), datetime(2026, 10, 19, 22, tzinfo=UTC)),
        (pd.Timestamp("2026-10-19", tz="Europe/Vienna"), pd.Timestamp("2026-10-20", tz="Europe/Vienna")),
        ("2026-10-18T22:00:00Z", "2026-10-20"),
    ],
    ids=["date", "naive", "UTC", "Timestamp", "text"],
)
def test_instants_come_in_every_form(room: Any, start: Any, end: Any) -> None:
    pd.testing.assert_frame_equal(room.readings(T1, start, end), room.readings(T1, *DAY))


def test_check_is_that_of_the_command(stillroom_package: ModuleType, demo_copy: Path) -> None:
    """Byte for byte, also where a late reading makes the stored verdicts old."""
    where = ("--zone", "machine-bay", "--from", "2026-10-19T09:30", "--to", "2026-10-19T11:00")
    with Store.open(demo_copy) as store:
        at_ns = parse("2026-10-19T10:00:30", VIENNA)
        store.append("late", [Row("P2.temperature", at_ns, at_ns + NS, 20.4)])
    with stillroom_package.open(demo_copy) as room:
        answer = room.check("machine-bay", "2026-10-19T09:30", "2026-10-19T11:00")
    body = json.loads(run_here("check", *where, "--json", "--data", demo_copy).stdout)
    assert json.dumps(answer.to_dict()) == json.dumps(body)
    assert (answer.verdict, answer.digest, answer.stamp) == (body["verdict"], body["digest"], body["stamp"])
    assert len(answer.reasons) == len(body["reasons"])


def test_grid_is_what_the_judge_sees(room: Any, demo_copy: Path) -> None:
    """Against the cells of a judgement; a minute before the record has none."""
    with Store.open(demo_copy) as store:
        verdicts = Verdicts(store, in_force(store.setups.versions()).setup)
        from_ns, to_ns = (parse(day, VIENNA) for day in DAY)
        judgement = verdicts.judgement("machine-bay", from_ns, to_ns, to_ns)
    cells = judgement.cells[T1]
    begin = from_ns // (60 * NS) - cells.grid.first
    table = room.grid([T1, "P2.temperature"], *DAY)
    assert len(table) == 1440
    usable = (cells.why[begin:] == 0) & np.isfinite(cells.mean[begin:])
    values = table[T1, "degC"].to_numpy()
    np.testing.assert_allclose(values[usable], cells.mean[begin:][usable] / 1e6)
    before = room.grid([T1], "2026-09-01", "2026-09-02")
    assert before[T1, "degC"].isna().all()


def test_verdicts_cover_the_time_without_gaps(room: Any) -> None:
    table = room.verdicts("machine-bay", *FORTNIGHT)
    assert (table["from"].iloc[1:].to_numpy() == table["to"].iloc[:-1].to_numpy()).all()
    assert set(table["verdict"]) <= {"stable", "not stable", "not shown"}


def test_tables_without_a_row_keep_their_columns(room: Any) -> None:
    """A notebook that runs over an empty month goes on."""
    empty = ("2026-08-01", "2026-08-02")
    assert list(room.readings(T1, *empty).columns) == list(room.readings(T1, *DAY).columns)
    assert list(room.excursions(None, *empty).columns) == list(room.excursions(None, *FORTNIGHT).columns)
    assert list(room.verdicts("machine-bay", *empty).columns)[:3] == ["from", "to", "verdict"]
    assert list(room.cases(None, *empty).columns) == list(room.cases(None, *FORTNIGHT).columns)
    assert "figure" in room.studies().columns


@pytest.mark.parametrize(
    ("ask", "expected"),
    [
        (lambda r: r.readings("P1.temprature", *DAY), "nearest are: P1.temperature"),
        (lambda r: r.verdicts("machine bay", *DAY), "nearest are: machine-bay"),
        (lambda r: r.readings(T1, "2026-10-20", "2026-10-19"), "expected an instant before end"),
        (lambda r: r.readings(T1, "yesterday", "2026-10-19"), "start: expected a local time such as"),
        (
            lambda r: r.readings(T1, 20261019, "2026-10-19"),
            "expected a text, a date, a datetime or a Timestamp, .* found int",
        ),
        (lambda r: r.readings(T1, "2026-10-25T02:30", "2026-10-26"), "occurs twice"),
        (lambda r: r.readings(T1, "0281-01-01", "2026-10-26"), "expected a year from 1900 to 2199"),
        (lambda r: r.grid(T1, *DAY), "expected a list"),
        (lambda r: r.check("machine-bay", *DAY, activity="x"), "activity: expected one"),
        (lambda room: room.readings([T1], *DAY), r"expected one of the setup, found \['P1.temperature'\]"),
        (
            lambda room: room.readings(T1, np.datetime64(DAY[0]), DAY[1]),
            "or a Timestamp, .* found datetime64",
        ),
        (lambda room: room.readings(T1, pd.NaT, DAY[1]), "found .NaT."),
    ],
    ids=[
        "channel",
        "zone",
        "order",
        "words",
        "number",
        "twice",
        "year",
        "list",
        "activity",
        "several",
        "zoneless",
        "none",
    ],
)
def test_bad_input_is_refused_in_words(
    room: Any, stillroom_package: ModuleType, ask: Any, expected: str
) -> None:
    with pytest.raises(stillroom_package.Refused, match=expected):
        ask(room)


def test_a_folder_without_a_record_is_named(stillroom_package: ModuleType, tmp_path: Path) -> None:
    with pytest.raises(stillroom_package.RecordError, match="expected the data folder"):
        stillroom_package.open(tmp_path / "none")
    with pytest.raises(stillroom_package.RecordError, match="a folder without"):
        stillroom_package.open(str(tmp_path))
    assert list(tmp_path.iterdir()) == []


def _without_site(folder: str) -> str:
    """Code that looks into a folder as Python does at its start, and into libraries without projects."""
    libraries = [path for path in sys.path if path.endswith("site-packages")]
    return f"import site, sys; site.addsitedir({folder!r}); sys.path += {libraries!r}; "


SCRIPT = "import sys, stillroom; print('pandas' in sys.modules, stillroom.__file__)"


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["wheel", "editable"])
def test_it_is_imported_from_what_pip_installs(kind: str, tmp_path: Path) -> None:
    """From a wheel, and from an editable install, each in its own place: typed, and pandas comes later."""
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q"]
    # What is installed in the Python that runs the tests stays as it is.
    offline = ["--no-deps", "--no-build-isolation", "--no-index"]
    install = ["install", "--ignore-installed", *offline]
    source = tmp_path / "source"
    _copy_tree(source)
    target = tmp_path / "target"
    if kind == "wheel":
        _run([*pip, "wheel", *offline, "-w", str(tmp_path / "wheels"), str(source)])
        (wheel,) = (tmp_path / "wheels").iterdir()
        _run([*pip, *install, "--target", str(target), str(wheel)])
        assert (target / "stillroom" / "py.typed").is_file()
        assert not (target / "logger" / "public").exists()  # under one name only
        path = str(target)
    else:
        _run([*pip, *install, "--prefix", str(target), "-e", str(source)])
        (site,) = target.rglob("site-packages")
        path = str(site)
    output = _run([sys.executable, "-P", "-S", "-c", _without_site(path) + SCRIPT], cwd=tmp_path).split(
        " ", 1
    )
    assert output[0] == "False"
    assert output[1].strip().startswith(str(target if kind == "wheel" else source))


def test_another_module_logger_is_named(tmp_path: Path) -> None:
    """A file `logger.py` beside the script hides the package; the error says which file and what to do."""
    (tmp_path / "logger.py").write_text("x = 1\n")
    folder = ROOT / "logger" / "public"
    loader = (
        "import importlib.util, sys; sys.path.insert(0, '.');"
        f"s = importlib.util.spec_from_file_location('stillroom', {str(folder / '__init__.py')!r},"
        f" submodule_search_locations=[{str(folder)!r}]);"
        "m = importlib.util.module_from_spec(s); sys.modules['stillroom'] = m; s.loader.exec_module(m)"
    )
    command = [sys.executable, "-c", loader]
    result = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert result.returncode == 1
    assert "ImportError: stillroom needs its own package `logger`, but finds" in result.stderr
    assert "logger.py first. Rename that file" in result.stderr


def _copy_tree(target: Path) -> None:
    """What a build reads, without what lies about in a working tree; git may not be installed."""
    target.mkdir()
    for name in ("logger", "dashboard", "config", "docs", "sample_logs", "systemd"):
        shutil.copytree(ROOT / name, target / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "setup.py", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, target)


def _run(command: list[str], cwd: Path = ROOT, **environment: str) -> str:
    env = {**os.environ, **environment}
    result = subprocess.run(
        command, cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=600
    )
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout
