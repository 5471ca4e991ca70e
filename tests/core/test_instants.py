"""Instants as text: what is written reads back, to the nanosecond."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import IntervalError
from logger.instants import parse, rfc3339

VIENNA = ZoneInfo("Europe/Vienna")


@given(st.integers(0, 4_000_000_000_000_000_000))
def test_what_is_written_reads_back(at_ns: int) -> None:
    assert parse(rfc3339(at_ns), VIENNA) == at_ns


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"),
    ],
)
def test_the_examples_of_the_standard(text: str, utc: str) -> None:
    """RFC 3339, section 5.8."""
    assert rfc3339(parse(text, VIENNA)) == utc


@given(st.datetimes(datetime(2000, 1, 1), datetime(2037, 1, 1)))
def test_a_time_of_the_room_is_refused_or_what_zoneinfo_says(wall: datetime) -> None:
    wall = wall.replace(microsecond=0)
    both = {wall.replace(tzinfo=VIENNA, fold=fold).astimezone(UTC) for fold in (0, 1)}
    try:
        result = parse(wall.isoformat(), VIENNA)
    except IntervalError:
        assert len(both) == 2
    else:
        assert both == {datetime.fromtimestamp(result / 1e9, UTC)}


@pytest.mark.parametrize(
    "text", ["", "now", "2026-10-19T", "2026-10-19T25:00", "19.10.2026", "2026-10-19T10:00:00.1234567890Z"]
)
def test_what_is_no_instant_is_refused_with_what_is_wanted(text: str) -> None:
    with pytest.raises(IntervalError, match="RFC 3339"):
        parse(text, VIENNA, "--from")
