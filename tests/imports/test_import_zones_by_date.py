"""Loggers whose clocks were set: several zones in one file, and the step of one hour that shows it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from logger.errors import ConfigError, ImportRefused
from logger.imports import profile_of
from logger.imports.writing import profile_text

HEAD = "time,temperature\n"
# Summer time ends in Central Europe on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC, article 3).
CHANGE = datetime(2026, 10, 25, 1, tzinfo=UTC)
BY_DATE = (("2026-10-25T01:00:00Z", "+01:00"),)


def rows(first: datetime, count: int, change: datetime, offsets: tuple[int, int], step_min: int = 10) -> str:
    """Rows of a clock that is `offsets` hours ahead of UTC before and after the change."""
    text = HEAD
    for n in range(count):
        at = first + timedelta(minutes=step_min * n)
        local = at + timedelta(hours=offsets[at >= change])
        text += f"{local:%Y-%m-%d %H:%M:%S},{20 + n / 1000:.3f}\n"
    return text


def stored(store: Any) -> list[tuple[datetime, float]]:
    return [
        (datetime.fromtimestamp(at / 1e9, UTC), float(value)) for channel, at, value in store.stored_rows()
    ]


@pytest.mark.slow
def test_a_clock_that_is_set_back_is_read_by_zones_with_their_dates(bring: Any, memory: Any) -> None:
    """Summer time by a fixed offset until the change, winter time from there on: every reading at its own
    instant, also both passes through the hour that comes twice.
    """
    store = memory()
    first = CHANGE - timedelta(hours=3)
    bring(rows(first, 36, CHANGE, (2, 1)), store, zone="+02:00", zones=BY_DATE)
    expected = [(first + timedelta(minutes=10 * n), round(20 + n / 1000, 3)) for n in range(36)]
    assert stored(store) == expected


def test_a_clock_that_is_set_forward_is_read_too(bring: Any, memory: Any) -> None:
    store = memory()
    first = CHANGE - timedelta(hours=3)
    bring(rows(first, 36, CHANGE, (1, 2)), store, zone="+01:00", zones=(("2026-10-25T01:00:00Z", "+02:00"),))
    assert [at for at, _ in stored(store)] == [first + timedelta(minutes=10 * n) for n in range(36)]


def test_a_year_of_two_zones_and_a_move(bring: Any, memory: Any) -> None:
    """From an IANA zone to a fixed offset months later; hourly, with the changes of the first zone inside."""
    store = memory()
    first = datetime(2026, 3, 1, tzinfo=UTC)
    since = datetime(2026, 6, 1, tzinfo=UTC)
    text = HEAD
    for n in range(24 * 150):
        at = first + timedelta(hours=n)
        summer = at >= datetime(2026, 3, 29, 1, tzinfo=UTC)
        local = at + timedelta(hours=(2 if summer else 1) if at < since else 0)
        text += f"{local:%Y-%m-%d %H:%M:%S},20.5\n"
    bring(text, store, zone="Europe/Vienna", zones=(("2026-06-01T00:00:00Z", "UTC"),), repeated_hour=None)
    assert [at for at, _ in stored(store)] == [first + timedelta(hours=n) for n in range(24 * 150)]


def test_a_step_back_of_one_hour_is_named_with_what_it_may_mean(bring: Any, memory: Any) -> None:
    """With a fixed offset declared the hour that comes twice would be two hours at once: asked, with line,
    both times and both ways to answer.
    """
    store = memory()
    text = rows(CHANGE - timedelta(hours=3), 36, CHANGE, (2, 1))
    with pytest.raises(ImportRefused) as refused:
        bring(text, store, zone="+01:00")
    sentence = str(refused.value)
    assert (
        "Line 20: the time goes back by exactly one hour, from 2026-10-25 02:50:00 to 2026-10-25 02:00:00"
        in sentence
    )
    assert "Europe/Vienna" in sentence
    assert "[[time.zones]]" in sentence
    bring(text, store, zone="Europe/Vienna")
    assert len(store.rows) == 36


def test_a_step_forward_of_one_hour_is_told(bring: Any, memory: Any) -> None:
    """It may be a gap: it is read, and named."""
    built = bring(rows(CHANGE - timedelta(hours=3), 36, CHANGE, (1, 2)), memory(), zone="+01:00")
    assert any(
        note.startswith("line 20: the time goes forward by exactly one hour, from 2026-10-25 01:50:00")
        for note in built.assumed
    )


PROFILE = """name = "bay"

[time]
headings = ["time"]
zone = "+02:00"

[[time.zones]]
from = "2026-10-25T01:00:00Z"
zone = "+01:00"

[[columns]]
heading = "T"
channel = "P1.temperature"
"""


def test_zones_are_declared_in_the_profile_and_kept_with_the_import() -> None:
    result = profile_of("bay.toml", PROFILE)
    assert (result.zone, result.zones) == ("+02:00", BY_DATE)
    assert profile_of("again.toml", profile_text(result)) == result


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("01:00:00Z", "01:00:00"), ("+01:00", "Nowhere"), ("2026-10-25T01:00:00Z", "Sunday"),
        ('zone = "+02:00"\n', ""),
    ],
)  # fmt: skip
def test_zones_without_an_offset_or_a_name_are_faults(old: str, new: str) -> None:
    with pytest.raises(ConfigError, match=r"\[time\] zone"):
        profile_of("bay.toml", PROFILE.replace(old, new, 1))
