"""The files in sample_logs/: made anew byte for byte, and holding what their README promises."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logger.instants import NS
from logger.simulation.climate import instant
from logger.simulation.history import write_held, write_sample_logs
from logger.simulation.instruments import SimulatedProbes
from logger.simulation.room import SimulatedRoom

SAMPLES = Path(__file__).parents[2] / "sample_logs"
VIENNA = ZoneInfo("Europe/Vienna")
Rows = list[tuple[datetime, list[str]]]


@cache
def utc_rows(folder: Path = SAMPLES) -> Rows:
    text = (folder / "machine-bay.csv").read_bytes().decode("utf-8")
    return [(datetime.fromisoformat(r[0]), r[1:]) for r in list(csv.reader(io.StringIO(text)))[1:]]


@cache
def local_rows(folder: Path = SAMPLES) -> Rows:
    """Local time made UTC by order alone: the second pass of a repeated hour is where time steps back."""
    text = (folder / "plate-bench.csv").read_bytes().decode("cp1252")
    rows: Rows = []
    fold, last = 0, datetime.min
    for row in list(csv.reader(io.StringIO(text), delimiter=";"))[5:]:
        naive = datetime.strptime(row[0], "%d.%m.%Y %H:%M:%S")
        fold = 1 if naive < last else fold
        last = naive
        rows.append((naive.replace(tzinfo=VIENNA, fold=fold).astimezone(UTC), row[1:]))
    return rows


@cache
def fixed_rows(folder: Path = SAMPLES) -> Rows:
    text = (folder / "barometer.txt").read_bytes().decode("ascii")
    zone = timezone(timedelta(hours=1))
    rows = list(csv.reader(io.StringIO(text), delimiter="\t"))[1:]
    return [
        (datetime.strptime(f"{d} {t}", "%Y/%m/%d %I:%M:%S %p").replace(tzinfo=zone).astimezone(UTC), [v])
        for d, t, v in rows
    ]


@cache
def column(file: str, index: int) -> tuple[list[datetime], np.ndarray]:
    rows = {"bay": utc_rows, "bench": local_rows, "barometer": fixed_rows}[file]()
    cells = [(t, r[index].replace(",", ".")) for t, r in rows if r[index] != "---"]
    return [t.astimezone(VIENNA) for t, _ in cells], np.array([float(v) for _, v in cells])


def between(file: str, index: int, start: str, end: str) -> np.ndarray:
    """Values over [start, end) of local time."""
    times, values = column(file, index)
    a, b = (datetime.fromisoformat(s).replace(tzinfo=VIENNA) for s in (start, end))
    return values[np.array([a <= t < b for t in times])]


@pytest.mark.slow
def test_the_files_are_made_anew_byte_for_byte(tmp_path: Path) -> None:
    written = write_sample_logs(tmp_path)
    assert [p.name for p in written] == [
        "machine-bay.csv",
        "plate-bench.csv",
        "barometer.txt",
        "inspections.csv",
    ]
    for path in written:
        assert path.read_bytes() == (SAMPLES / path.name).read_bytes(), path.name


@pytest.mark.slow
def test_they_hold_as_many_rows_as_their_readme_says_and_are_small() -> None:
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    assert (len(utc_rows()), len(local_rows()), len(fixed_rows())) == (20140, 20220, 20220)
    assert readme.count("20 140") >= 3
    assert readme.count("20 220") >= 4
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 12e6


@pytest.mark.parametrize("rows", [utc_rows, local_rows, fixed_rows])
def test_every_file_covers_the_two_weeks_minute_by_minute_in_rising_order(rows: object) -> None:
    times = [t for t, _ in rows()]  # type: ignore[operator]
    start, end = datetime(2026, 10, 11, 22, tzinfo=UTC), datetime(2026, 10, 25, 23, tzinfo=UTC)
    assert start <= times[0] < start + timedelta(minutes=1)
    assert end - timedelta(minutes=1) <= times[-1] < end
    steps = [(b - a).total_seconds() for a, b in pairwise(times)]
    assert min(steps) > 48
    assert sorted(steps)[-2] < 72
    assert all(6 <= t.second <= 54 for t in times)


def test_the_repeated_hour_stands_twice_in_local_time() -> None:
    text = (SAMPLES / "plate-bench.csv").read_bytes().decode("cp1252")
    assert sum(line.startswith("25.10.2026 02:") for line in text.splitlines()) == 120


def test_the_gap_is_eighty_minutes_in_the_bay_alone() -> None:
    assert len(between("bay", 0, "2026-10-16T13:00", "2026-10-16T14:20")) == 0
    assert len(between("bench", 0, "2026-10-16T13:00", "2026-10-16T14:20")) == 80


def test_monday_morning_leaves_the_limit_and_comes_back() -> None:
    times, values = column("bay", 2)
    corrected = values + 0.02  # certificate AG-0412-T at 20 degC
    out = [t for t, v in zip(times, corrected, strict=True) if v > 20.5]
    assert out[0].strftime("%m-%d %H:%M") == "10-19 04:52"
    assert out[-1].strftime("%m-%d %H:%M") == "10-19 07:24"
    assert max(corrected) == pytest.approx(20.97, abs=0.005)
    days = between("bay", 2, "2026-10-18T07:00", "2026-10-20T07:00")
    assert days.max() - days.min() < 0.95


def test_the_door_is_seen_at_the_bench_and_not_in_the_bay() -> None:
    rises = {}
    for name, file, index in (("P6", "bench", 4), ("P4", "bench", 0), ("P1", "bay", 0)):
        before = between(file, index, "2026-10-14T10:08", "2026-10-14T10:18").mean()
        rises[name] = between(file, index, "2026-10-14T10:18", "2026-10-14T10:28").max() - before
    assert 0.7 < rises["P6"] < 0.85
    assert 0.5 < rises["P4"] < 0.7
    assert rises["P1"] < 0.1


def test_thursday_cycles_with_twelve_minutes() -> None:
    """The strongest line of the spectrum, against the period that was planted."""
    values = between("bay", 0, "2026-10-22T01:00", "2026-10-22T23:00")
    power = np.abs(np.fft.rfft(values - values.mean())) ** 2
    assert len(values) / np.argmax(power) == pytest.approx(12, rel=0.02)


def test_the_stuck_probe_repeats_itself_while_its_neighbour_moves() -> None:
    stuck = between("bench", 0, "2026-10-20T09:00", "2026-10-20T15:00")
    moving = between("bench", 4, "2026-10-20T09:00", "2026-10-20T15:00")
    assert len(stuck) == 360
    assert set(stuck) == {20.13}
    assert moving.max() - moving.min() > 0.1
    assert len(set(between("bench", 0, "2026-10-20T15:00", "2026-10-20T16:00"))) > 3


def test_p5_failed_six_times() -> None:
    assert [r.count("---") for _, r in local_rows() if "---" in r] == [2] * 6


def test_everything_else_is_normal_running() -> None:
    for index in (0, 2):
        times, values = column("bay", index)
        quiet = np.array(
            [(t.day, t.hour) not in {(19, h) for h in range(3, 10)} and t.day != 22 for t in times]
        )
        assert 19.85 < values[quiet].min() < values[quiet].max() < 20.25
    for file, index in (("bay", 1), ("bay", 3), ("bench", 1), ("bench", 5)):
        _, humidity = column(file, index)
        assert 45 < humidity.min() < humidity.max() < 50.5


def test_six_inspections_two_of_each_verdict() -> None:
    with (SAMPLES / "inspections.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert sorted(r["expected"] for r in rows) == ["not shown"] * 2 + ["not stable"] * 2 + ["stable"] * 2
    assert all(datetime.fromisoformat(r["from"]) < datetime.fromisoformat(r["to"]) for r in rows)
    assert {r["zone"] for r in rows} == {"machine-bay", "plate-bench"}
    assert len({r["key"] for r in rows}) == 6


def test_what_the_loggers_held_ends_where_the_live_room_begins(tmp_path: Path) -> None:
    from_ns = instant("2026-11-23T05:00:17+00:00")
    to_ns = from_ns + 6 * 3600 * NS
    write_held(tmp_path, from_ns, to_ns, 7)
    live = SimulatedProbes(SimulatedRoom(7, from_ns), 7)
    live.advance(to_ns)
    for rows, channels in (
        (utc_rows(tmp_path), ("P1.temperature",)),
        (local_rows(tmp_path), ("P4.temperature",)),
    ):
        assert all(from_ns <= t.timestamp() * NS < to_ns for t, _ in rows)
        assert len(rows) == pytest.approx(360, abs=1)
        last = float(rows[-1][1][0].replace(",", "."))
        assert last == pytest.approx(live.indication(channels[0]), abs=0.05)
    pressure = float(fixed_rows(tmp_path)[-1][1][0])
    assert pressure == pytest.approx(live.indication("B1.pressure"), abs=0.3)


def test_what_the_loggers_held_can_begin_later_than_their_room(tmp_path: Path) -> None:
    began_ns, from_ns = instant("2026-11-23T00:00+00:00"), instant("2026-11-23T02:00+00:00")
    write_held(tmp_path / "whole", began_ns, from_ns + 600 * NS, 7)
    write_held(tmp_path / "rest", from_ns, from_ns + 600 * NS, 7, began_ns)
    whole, rest = (utc_rows(tmp_path / name) for name in ("whole", "rest"))
    assert len(rest) == 10
    assert all(
        float(a[1][0]) == pytest.approx(float(b[1][0]), abs=0.06)
        for a, b in zip(rest, whole[-10:], strict=True)
    )
