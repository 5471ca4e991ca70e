"""What an interval holds of its own. Expected values by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from logger.core.measurement.check import check

SLOW = {"interval_s": 900, "max_age_s": 2700}


def test_a_check_without_a_reading_of_its_own_is_not_shown(made: SimpleNamespace) -> None:
    """One reading every 15 min, 5 min between two of them: each cell is covered, the check shows nothing."""
    room = made.setup((made.rule(),), channel=SLOW)
    judgement = made.judged(room, {"T1": made.series(np.full(96, 20.0), interval_s=900)})
    assert set(judgement.reason[600:700].tolist()) == {5}
    found = check(judgement, room, made.at(10 + 5 / 60), made.at(10 + 10 / 60), pre_window_s=0)
    assert (found.verdict, found.causes[0].why, found.causes[0].probe) == (
        "not shown", "no reading in the interval", "T1",
    )  # fmt: skip
    longer = check(judgement, room, made.at(10 + 5 / 60), made.at(10 + 16 / 60), pre_window_s=0)
    assert longer.verdict == "stable"


def test_an_interval_off_the_minute_counts_the_readings_that_it_holds(made: SimpleNamespace) -> None:
    """09:00:40 to 10:40:40 with a reading at each half minute: 100 of the 101 minutes that it touches."""
    room = made.setup((made.rule(),))
    judgement = made.judged(room, {"T1": made.series(np.full(1440, 20.0))})
    found = check(judgement, room, made.at(9 + 40 / 3600), made.at(10 + 2440 / 3600), pre_window_s=0)
    assert (found.verdict, found.statistics[0].readings) == ("stable", 100)


def test_a_reading_beyond_a_limit_in_a_minute_at_the_edge_still_decides(made: SimpleNamespace) -> None:
    """The verdict is that of every minute which the interval touches."""
    room = made.setup((made.rule(),))
    values = np.full(1440, 20.0)
    values[540] = 23.0
    judgement = made.judged(room, {"T1": made.series(values)})
    found = check(judgement, room, made.at(9 + 10 / 3600), made.at(10), pre_window_s=0)
    assert found.verdict == "not stable"
