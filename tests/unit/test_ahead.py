"""Until when a zone stays within its limits, against ramps whose crossing is plain arithmetic."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.ahead import ahead
from logger.instants import rfc3339


def told(made: SimpleNamespace, values: np.ndarray, *rules: Any) -> dict[str, Any] | None:
    """What is said at the end of a day of one probe."""
    setup = made.setup(rules)
    return ahead(setup, made.judged(setup, {"T1": made.series(values)}))


def minutes(made: SimpleNamespace, instant: object) -> float:
    """Minutes from the end of that day."""
    end = np.datetime64(rfc3339(made.at(24))[:-1])
    return float((np.datetime64(str(instant)[:-1]) - end) / np.timedelta64(1, "s")) / 60


def test_a_ramp_names_the_limit_and_when_it_is_reached(made: SimpleNamespace) -> None:
    """0.6 K/h, 0.4 K below the limit of 21: 40 min, whatever the last cell is counted from."""
    values = 20.6 - 0.6 * (1439 - np.arange(1440)).clip(0, 120) / 60
    found = told(made, values, made.rule())
    assert found is not None
    assert (found["limit"], found["probe"], found["unit"]) == (21.0, "T1", "degC")
    assert minutes(made, found["until"]) == pytest.approx(40.0, abs=1.5)
    assert minutes(made, found["earliest"]) <= minutes(made, found["until"])


def test_a_quiet_room_is_told_for_an_hour(made: SimpleNamespace) -> None:
    """Noise leads nowhere: the horizon of the forecast, and no rule."""
    values = 20.0 + np.random.default_rng(4).normal(0, 0.01, 1440)
    found = told(made, values, made.rule())
    assert found == {"until": rfc3339(made.at(25))}


def test_a_span_that_grows_is_seen_before_its_limit(made: SimpleNamespace) -> None:
    """1 K/h for 50 min makes a span of 0.83 K: the limit of 0.9 K is 4 min away, that of 21 °C 10 min."""
    values = 20.0 + (np.arange(1440) - 1389).clip(0, None) / 60
    name = {"key": "bay.span-1h", "name": "span in 1 h"}
    span = made.rule(kind="span", unit="K", lower=None, upper=0.9, window_s=3600, **name)
    found = told(made, values, made.rule(), span)
    assert found is not None
    assert found["rule"] == "bay.span-1h"
    assert 0 < minutes(made, found["until"]) < 8


@pytest.mark.parametrize("values", [np.full(1440, 21.5), np.full(1440, np.nan)], ids=["beyond", "silent"])
def test_nothing_is_said_of_what_is_broken_or_unseen(made: SimpleNamespace, values: np.ndarray) -> None:
    assert told(made, values, made.rule()) is None
