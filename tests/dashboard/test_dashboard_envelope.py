"""Fewer points never hide an extreme, a gap or a bad minute."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.charts.decimate import envelope, trace
from logger.core.judge.trace import runs_in_columns
from logger.instants import NS
from logger.model import REASONS, VERDICT_OF, Period

MINUTE = 60 * NS
YEAR = 525_600


def test_one_spike_stays_on_the_year() -> None:
    """A single 60 s spike of 2 K is among the 800 points of a year."""
    taken = np.arange(YEAR, dtype=np.int64) * MINUTE
    value = np.full(YEAR, 20.0) + 0.01 * np.sin(np.arange(YEAR))
    value[311_111] = 22.0
    times, values = envelope(taken, value, 3 * MINUTE)
    assert len(values) <= 802
    assert max(v for v in values if v is not None) == 22.0
    assert 311_111 * MINUTE in times


@given(st.lists(st.floats(-40, 60), min_size=1, max_size=3000), st.integers(4, 300))
def test_extremes_are_kept(readings: list[float], n_out: int) -> None:
    """Least and greatest value, first and last instant survive whatever is thrown away."""
    taken = np.arange(len(readings), dtype=np.int64) * MINUTE
    value = np.round(np.array(readings), 4)
    times, values = envelope(taken, value, 3 * MINUTE, n_out)
    remaining = [v for v in values if v is not None]
    assert (min(remaining), max(remaining)) == (value.min(), value.max())
    assert (times[0], times[-1]) == (taken[0], taken[-1])
    assert len(values) <= max(n_out, 4) + 2


def test_gap_is_drawn_as_gap() -> None:
    """Twenty silent minutes put a None between the two pieces."""
    taken = np.array([0, 1, 2, 22, 23], dtype=np.int64) * MINUTE
    times, values = envelope(taken, np.full(5, 20.0), 3 * MINUTE)
    assert values == [20.0, 20.0, 20.0, None, 20.0, 20.0]
    assert times[2] < times[3] < times[4]


def test_no_reading_gives_no_line() -> None:
    """An empty channel and one of failed polls draw nothing."""
    assert envelope(np.empty(0, np.int64), np.empty(0), MINUTE) == ([], [])
    assert envelope(np.arange(3, dtype=np.int64), np.full(3, np.nan), MINUTE) == ([], [])


def period(first: int, last: int, reason: str) -> Period:
    return Period("z", first * MINUTE, last * MINUTE, VERDICT_OF[reason], reason)


def test_one_bad_minute_stays_on_the_year() -> None:
    """In 1,500 bins of a year the one nonconforming minute is drawn, in the right row."""
    periods = [
        period(0, 300_000, "conforming"),
        period(300_000, 300_001, "nonconforming"),
        period(300_001, YEAR, "conforming"),
    ]
    runs = trace(periods, 0, YEAR * MINUTE)
    assert [r.reason for r in runs] == ["conforming", "nonconforming", "conforming"]
    assert runs[1].verdict == "not stable"


@given(
    st.lists(st.tuples(st.integers(1, 50), st.sampled_from(REASONS)), min_size=1, max_size=60),
    st.integers(1, 40),
)
def test_each_column_shows_the_worst_and_nothing_else(parts: list[tuple[int, str]], columns: int) -> None:
    """Compared with a count minute by minute: of every minute that touches a column, the worst is drawn."""
    periods, minutes = [], []
    for length, reason in parts:
        periods.append(period(len(minutes), len(minutes) + length, reason))
        minutes += [REASONS.index(reason)] * length
    end, n = len(minutes) * MINUTE, len(minutes)
    runs = runs_in_columns(periods, 0, end, columns)
    assert [(a.to_ns, b.from_ns) for a, b in pairwise(runs) if a.to_ns != b.from_ns] == []
    for i in range(columns):
        worst = min(minutes[i * n // columns : -(-(i + 1) * n // columns)])
        middle = (2 * i + 1) * end // (2 * columns)
        shown = [REASONS.index(r.reason) for r in runs if r.from_ns <= middle < r.to_ns]
        assert shown == [worst]


def test_narrow_window_keeps_true_edges() -> None:
    """Where a bin is a minute, runs begin and end where the periods do."""
    periods = [period(0, 7, "conforming"), period(7, 9, "settling"), period(9, 60, "conforming")]
    runs = trace(periods, 0, 60 * MINUTE, 1500)
    assert [(r.from_ns // MINUTE, r.to_ns // MINUTE) for r in runs] == [(0, 7), (7, 9), (9, 60)]


@pytest.mark.parametrize("window", [(10, 10), (20, 10)], ids=["empty", "backwards"])
def test_no_window_no_trace(window: tuple[int, int]) -> None:
    """A window without length has no trace."""
    assert trace([period(0, 60, "conforming")], window[0] * MINUTE, window[1] * MINUTE) == []


def test_thousands_of_periods_become_few_runs() -> None:
    """2,000 periods in turn, shorter than a bin: each bin shows the worse of two, and one run is drawn."""
    turns = [period(2 * i, 2 * i + 1, "conforming") for i in range(1000)]
    turns += [period(2 * i + 1, 2 * i + 2, "settling") for i in range(1000)]
    runs = trace(sorted(turns, key=lambda p: p.from_ns), 0, 2000 * MINUTE, 900)
    assert [(r.reason, r.from_ns, r.to_ns) for r in runs] == [("settling", 0, 2000 * MINUTE)]


def test_a_few_hundred_periods_are_all_there() -> None:
    """76 runs out of limits in a year are 76 cells with their own ends; the browser joins narrow ones."""
    periods, at = [], 0
    for n in range(76):
        begin = 6_000 * n + 137 * n % 901
        periods += [period(at, begin, "conforming"), period(begin, begin + 1 + n % 9, "nonconforming")]
        at = begin + 1 + n % 9
    runs = trace([p for p in periods if p.to_ns > p.from_ns], 0, YEAR * MINUTE)
    bad = [(r.from_ns, r.to_ns) for r in runs if r.verdict == "not stable"]
    assert bad == [(p.from_ns, p.to_ns) for p in periods if p.reason == "nonconforming"]
