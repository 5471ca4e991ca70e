"""What a study reads: corrected means on the step of the readings;
what does not count is left out in hours.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logger.config import in_force
from logger.errors import IntervalError, UnknownName
from logger.instants import NS, parse
from logger.store import Store
from logger.studies.records import local_offsets, read_channel
from logger.verdicts.verdicts import Verdicts

VIENNA = ZoneInfo("Europe/Vienna")


def ns(text: str) -> int:
    return parse(text, VIENNA, "test")


@pytest.fixture(scope="module")
def verdicts(demo_history: Path) -> Iterator[Verdicts]:
    """Verdicts of the demo's history; nothing is changed."""
    with Store.open(demo_history, read_only=True) as store:
        yield Verdicts(store, in_force(store.setups.versions()).setup)


def test_a_record_is_the_corrected_mean_of_each_minute(verdicts: Verdicts) -> None:
    """An hour of P1: each cell the mean of its corrected readings, by the readings themselves."""
    begin, end = ns("2026-10-13T10:00"), ns("2026-10-13T11:00")
    used = read_channel(verdicts, "P1.temperature", begin, end, end + 86_400 * NS)
    taken_ns, readings = verdicts.corrected_readings("P1.temperature", begin, end)
    cell = (taken_ns - begin) // (60 * NS)
    expected = [readings.value[cell == i].mean() for i in range(60)]
    assert used.record.value.tolist() == pytest.approx(expected, abs=2e-6)
    assert used.record.unit == "degC"
    assert used.hours == pytest.approx(1.0)


def test_the_gap_of_the_demo_counts_as_a_gap(verdicts: Verdicts) -> None:
    """Planted: the loggers of the bay wrote nothing from 13:00 to 14:20 on 16 October."""
    begin, end = ns("2026-10-16T12:00"), ns("2026-10-16T16:00")
    used = read_channel(verdicts, "P1.temperature", begin, end, end + 86_400 * NS)
    assert used.gap_hours == pytest.approx(80 / 60, abs=0.05)
    assert "without readings" in used.remark()


def test_stuck_readings_are_left_out_by_name(verdicts: Verdicts) -> None:
    """Planted: P4 repeats one value from 9:00 to 15:00 on 20 October."""
    begin, end = ns("2026-10-20T08:00"), ns("2026-10-20T16:00")
    used = read_channel(verdicts, "P4.temperature", begin, end, end + 86_400 * NS)
    assert used.left_out_hours["reading suspect"] == pytest.approx(6.0, abs=0.6)
    assert used.hours < 2.7


def test_what_is_not_there_is_refused(verdicts: Verdicts) -> None:
    """An unknown channel, an interval without readings, and one shorter than a minute."""
    begin = ns("2026-10-13T10:00")
    with pytest.raises(UnknownName, match=r"no channel 'P9\.temperature'"):
        read_channel(verdicts, "P9.temperature", begin, begin + 3600 * NS, begin + 7200 * NS)
    with pytest.raises(IntervalError, match="no reading that counts"):
        read_channel(verdicts, "P1.temperature", ns("2026-01-01"), ns("2026-01-02"), begin)
    with pytest.raises(IntervalError, match="no whole minute"):
        read_channel(verdicts, "P1.temperature", begin + NS, begin + 30 * NS, begin + 7200 * NS)


def test_local_offsets_follow_the_clock() -> None:
    """Europe/Vienna, 25 October 2026: two hours ahead of UTC until 01:00Z, one from then on (IANA)."""
    offsets = local_offsets(parse("2026-10-25T00:00:00Z", VIENNA, "") // NS, 120, 60, VIENNA)
    assert offsets[:60].tolist() == [7200] * 60
    assert np.unique(offsets[60:]).tolist() == [3600]
