"""Imports as a person checks them: date order, twice is once, conflicts, units, the clock change."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logger.errors import ImportRefused
from logger.imports import ImportResult
from logger.imports.profile import Column
from logger.instants import NS
from logger.store import Store

Bring = Callable[..., ImportResult]
VIENNA = ZoneInfo("Europe/Vienna")


def minutes(first: datetime, count: int, value: Callable[[int], float] = lambda i: 20 + i % 7 / 100) -> str:
    """A file with a reading a minute, in UTC."""
    rows = [f"{first + timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},{value(i):.2f}" for i in range(count)]
    return "\n".join(["time,temperature", *rows]) + "\n"


def local_day(day: datetime) -> str:
    """Every minute of a local day as a logger in Vienna writes it, the repeated hour twice."""
    start, end = (d.replace(tzinfo=VIENNA).astimezone(UTC) for d in (day, day + timedelta(days=1)))
    count = int((end - start).total_seconds() // 60)
    stamps = [(start + timedelta(minutes=i)).astimezone(VIENNA) for i in range(count)]
    return "\n".join(["time,temperature", *(f"{s:%d.%m.%Y %H:%M:%S},20.00" for s in stamps)]) + "\n"


@pytest.mark.slow
def test_an_undecided_date_order_is_asked_about(bring: Bring, memory: Any) -> None:
    """03/04/2026 is the third of April or the fourth of March; the file cannot tell."""
    text = "time;temperature\n03/04/2026 10:00;20,35\n04/04/2026 10:01;20,36\n"
    store = memory()
    with pytest.raises(ImportRefused, match=r"day-month-year or month-day-year\? .* Set `order`"):
        bring(text, store)
    assert store.rows == []
    assert bring(text, store, order="day-month-year").stored == 2
    assert store.rows[0].taken_ns == int(datetime(2026, 4, 3, 10, tzinfo=UTC).timestamp()) * NS
    assert store.rows[0].value == 20.35


def test_a_week_imported_twice_is_a_week(bring: Bring, store: Store) -> None:
    """10 080 rows twice: 10 080. A third file with 10 other values: 10 conflicts, both values kept."""
    first = datetime(2026, 10, 5, tzinfo=UTC)
    week = minutes(first, 10_080)
    assert bring(week, store).stored == 10_080
    assert bring(week, store).already
    again = bring(week + "\n", store)  # other bytes, the same readings
    assert (again.stored, again.duplicates, again.already) == (0, 10_080, False)
    third = bring(minutes(first, 10_080, lambda i: 21.5 if i % 1008 == 0 else 20 + i % 7 / 100), store)
    assert (third.stored, len(third.conflicts), third.duplicates) == (10, 10, 10_070)
    span = int(first.timestamp()) * NS, int((first + timedelta(days=8)).timestamp()) * NS
    remaining = store.readings.read("P1.temperature", *span)
    assert len(remaining) == 10_090
    assert np.count_nonzero(remaining.value == 21.5) == 10
    assert remaining.late.all()


def test_the_original_is_kept_and_the_chain_intact(bring: Bring, store: Store) -> None:
    text = minutes(datetime(2026, 10, 5, tzinfo=UTC), 20)
    result = bring(text, store, name="bay 1.csv")
    remaining = store.imports.find(result.sha256)
    assert remaining is not None
    assert remaining.name == "bay 1.csv"
    assert any(f.read_bytes() == text.encode() for f in store.folder.rglob("*") if f.is_file())
    assert store.verify().intact


def test_a_dry_run_tells_the_same_and_changes_nothing(bring: Bring, store: Store) -> None:
    text = minutes(datetime(2026, 10, 5, tzinfo=UTC), 50)
    output = bring(text, store, dry_run=True)
    assert store.readings.extent() is None
    assert bring(text, store) == output


@pytest.mark.parametrize(
    ("heading", "channel", "unit", "cell", "stored"),
    [
        ("temperature (°F)", "P1.temperature", None, "68.00", 20.0),
        ("temperature", "P1.temperature", "degF", "68.00", 20.0),
        ("temperature [K]", "P1.temperature", None, "293.15", 20.0),
        ("temperature", "B1.pressure", "kPa", "101.3250", 1013.25),
        ("temperature", "B1.pressure", "mbar", "1013.25", 1013.25),
        ("temperature/%", "P1.relative_humidity", None, "48.25", 48.25),
    ],
)
def test_units_are_converted_and_said(
    bring: Bring, memory: Any, heading: str, channel: str, unit: str | None, cell: str, stored: float
) -> None:
    """68.0 °F is 20.00 °C (common practice, no source); 101.325 kPa is 1013.25 hPa (BIPM, SI brochure)."""
    store = memory()
    result = bring(
        f"time,{heading}\n2026-10-05T00:00:00Z,{cell}\n",
        store,
        columns=(Column("temperature", channel, unit),),
    )
    assert store.rows[0].value == stored
    if heading != "temperature/%":
        assert any("converted" in note for note in result.assumed) == bool(store.rows[0].raw)


def test_a_column_without_unit_is_refused(bring: Bring, memory: Any) -> None:
    text = "time,temperature\n2026-10-05T00:00:00Z,68.05\n"
    with pytest.raises(ImportRefused, match=r"In which unit is column 'temperature'.*Set `unit`"):
        bring(text, memory(), columns=(Column("temperature", "P1.temperature"),))


def test_a_unit_of_another_quantity_is_refused(bring: Bring, memory: Any) -> None:
    text = "time,temperature (hPa)\n2026-10-05T00:00:00Z,68.05\n"
    with pytest.raises(ImportRefused, match="In which unit"):
        bring(text, memory(), columns=(Column("temperature", "P1.temperature"),))
    with pytest.raises(ImportRefused, match="'hPa' is no unit of temperature"):
        bring(text, memory(), columns=(Column("temperature", "P1.temperature", "hPa"),))


def test_file_and_profile_that_name_different_units_are_refused(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match="in degF in the file, degC in the profile"):
        bring("time,temperature (°F)\n2026-10-05T00:00:00Z,68.05\n", memory())


@pytest.mark.parametrize(
    ("day", "rows"), [(datetime(2026, 10, 25), 1500), (datetime(2026, 3, 29), 1380)], ids=["autumn", "spring"]
)
def test_days_of_the_clock_change(bring: Bring, memory: Any, day: datetime, rows: int) -> None:
    """A local day of minutes: 1500 rows in autumn, 1380 in spring, none twice in UTC, none missing."""
    store = memory()
    result = bring(local_day(day), store, zone="Europe/Vienna")
    taken_ns = np.array([r.taken_ns for r in store.rows])
    assert result.stored == rows
    assert set(np.diff(taken_ns)) == {60 * NS}
    assert taken_ns[0] == int(day.replace(tzinfo=VIENNA).timestamp()) * NS


@pytest.mark.parametrize("half", ["first", "second"])
def test_a_repeated_hour_with_a_missing_half_is_asked_about(bring: Bring, memory: Any, half: str) -> None:
    lines = local_day(datetime(2026, 10, 25)).splitlines()
    repeated = [i for i, line in enumerate(lines) if " 02:" in line]
    removed = repeated[:60] if half == "first" else repeated[60:]
    text = "\n".join(line for i, line in enumerate(lines) if i not in removed) + "\n"
    store = memory()
    with pytest.raises(ImportRefused, match=r"Lines 122 to 181 .* Europe/Vienna repeats.*before or after"):
        bring(text, store, zone="Europe/Vienna")
    assert store.rows == []


def test_parts_of_both_halves_are_told_by_the_step_back(bring: Bring, memory: Any) -> None:
    lines = local_day(datetime(2026, 10, 25)).splitlines()
    text = "\n".join(line for line in lines if not any(f" 02:{m}" in line for m in ("4", "5"))) + "\n"
    store = memory()
    assert bring(text, store, zone="Europe/Vienna").stored == 1460
    assert len({r.taken_ns for r in store.rows}) == 1460


def test_hourly_readings_show_the_repeated_hour_as_a_stand_still(bring: Bring, memory: Any) -> None:
    stamps = ["00:00", "01:00", "02:00", "02:00", "03:00", "04:00"]
    text = "time,temperature\n" + "".join(f"25.10.2026 {s},20.05\n" for s in stamps)
    store = memory()
    bring(text, store, zone="Europe/Vienna")
    assert set(np.diff([r.taken_ns for r in store.rows])) == {3600 * NS}


def test_a_skipped_time_is_refused(bring: Bring, memory: Any) -> None:
    text = "time,temperature\n29.03.2026 01:59:00,20.05\n29.03.2026 02:30:00,20.05\n"
    with pytest.raises(ImportRefused, match=r"Line 3: 2026-03-29 02:30:00 does not exist in Europe/Vienna"):
        bring(text, memory(), zone="Europe/Vienna")
    assert bring(text, memory(), zone="+01:00").stored == 2  # a logger that never changes its clock


def test_local_times_without_a_zone_are_asked_about(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match="In which time zone was '2026-10-05 00:00:00'"):
        bring("time,temperature\n2026-10-05 00:00:00,20.05\n", memory(), zone=None)


def test_fault_words_are_stored_with_their_text(bring: Bring, store: Store) -> None:
    rows = [("00", "20.05"), ("01", "OL"), ("02", "-127.0"), ("03", ""), ("04", "20.06")]
    text = "time,temperature\n" + "".join(f"2026-10-05T00:{m}:00Z,{v}\n" for m, v in rows)
    result = bring(text, store, sentinels=("-127.0",))
    assert (result.rows, result.stored, result.flagged) == (5, 4, 2)
    assert any("1 empty cell" in note for note in result.assumed)
    day = int(datetime(2026, 10, 5, tzinfo=UTC).timestamp()) * NS
    remaining = store.readings.read("P1.temperature", day, day + 3600 * NS)
    assert remaining.value.tolist() == pytest.approx([20.05, np.nan, np.nan, 20.06], nan_ok=True)
    raw = [row.raw for _, row in store.readings.arrived_after(0)[0]]
    assert raw == ["", "OL", "-127.0", ""]


def test_a_sentinel_matches_the_whole_text_alone(bring: Bring, memory: Any) -> None:
    """999.9 as a sentinel leaves 999.95 a value."""
    store = memory()
    bring(
        "time,temperature\n2026-10-05T00:00:00Z,999.9\n2026-10-05T00:01:00Z,999.95\n",
        store,
        sentinels=("999.9",),
    )
    assert [r.value for r in store.rows] == [None, 999.95]


def test_an_unknown_word_is_asked_about(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match=r"Line 3, column 'temperature': 'warming up' .*`fault_words`"):
        bring("time,temperature\n2026-10-05T00:00:00Z,20.05\n2026-10-05T00:01:00Z,warming up\n", memory())
