"""What an interval holds of its own. Expected values by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from logger.core.measurement.check import check

SLOW = {"interval_s": 900, "max_age_s": 2700}


def test_a_check_without_a_reading_of_its_own_is_not_shown(build: SimpleNamespace) -> None:
    """One reading every 15 min, 5 min between two of them: each cell is covered, the check shows nothing."""
    room = build.setup((build.rule(),), channel=SLOW)
    judgement = build.judged(room, {"T1": build.series(np.full(96, 20.0), interval_s=900)})
    assert set(judgement.reason[600:700].tolist()) == {5}
    result = check(judgement, room, build.at(10 + 5 / 60), build.at(10 + 10 / 60), pre_window_s=0)
    assert (result.verdict, result.causes[0].why, result.causes[0].probe) == (
        "not shown", "no reading in the interval", "T1",
    )  # fmt: skip
    longer = check(judgement, room, build.at(10 + 5 / 60), build.at(10 + 16 / 60), pre_window_s=0)
    assert longer.verdict == "stable"


def test_an_interval_off_the_minute_counts_the_readings_that_it_holds(build: SimpleNamespace) -> None:
    """09:00:40 to 10:40:40 with a reading at each half minute: 100 of the 101 minutes that it touches."""
    room = build.setup((build.rule(),))
    judgement = build.judged(room, {"T1": build.series(np.full(1440, 20.0))})
    result = check(judgement, room, build.at(9 + 40 / 3600), build.at(10 + 2440 / 3600), pre_window_s=0)
    assert (result.verdict, result.statistics[0].readings) == ("stable", 100)


def test_a_reading_beyond_a_limit_in_a_minute_at_the_edge_still_decides(build: SimpleNamespace) -> None:
    """The verdict is that of every minute which the interval touches."""
    room = build.setup((build.rule(),))
    values = np.full(1440, 20.0)
    values[540] = 23.0
    judgement = build.judged(room, {"T1": build.series(values)})
    result = check(judgement, room, build.at(9 + 10 / 3600), build.at(10), pre_window_s=0)
    assert result.verdict == "not stable"
