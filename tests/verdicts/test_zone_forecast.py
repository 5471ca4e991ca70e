"""The forecast of a zone as the command gives it: a slow triangle, whose crossing is known by its slope."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from logger.errors import UnknownName
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from logger.verdicts.zone_forecast import zone_forecast

PERIOD_MIN = 480
RISE_K = 2.4  # in half a period: 0.6 K/h up, then 0.6 K/h down, for three days
SLOPE_K_H = RISE_K / (PERIOD_MIN / 2 / 60)


def triangle(build: SimpleNamespace, minutes: int) -> list[Row]:
    rng = np.random.default_rng(11)
    phase = np.arange(minutes) % PERIOD_MIN / PERIOD_MIN
    values = 19.2 + RISE_K * (1 - 2 * np.abs(phase - 0.5)) + rng.normal(0.0, 0.01, minutes)
    instants = [build.at(0) + 30 * NS + i * 60 * NS for i in range(minutes)]
    return [Row("T1.temperature", t, t, float(v)) for t, v in zip(instants, values, strict=True)]


@pytest.mark.slow
def test_a_steady_rise_reaches_its_limit_when_its_slope_says(store: Store, build: SimpleNamespace) -> None:
    """From 19.2 °C by 0.6 K/h it is 20.3 °C after 110 min: 20.5 °C is 20 min away."""
    setup = build.setup((build.rule(lower=19.0, upper=20.5),))
    minutes = 3 * 1440 + 110  # nine whole periods, then 110 min up
    store.append("w", triangle(build, minutes))
    now_ns = build.at(0) + minutes * 60 * NS
    (expected,) = zone_forecast(Verdicts(store, setup), "bay", now_ns)
    assert expected.probe == "T1.temperature"
    assert expected.now is not None
    assert expected.per_hour == pytest.approx(SLOPE_K_H, abs=0.05)
    assert expected.limit == 20.5
    assert expected.minutes == pytest.approx((20.5 - expected.now) / SLOPE_K_H * 60, abs=4)
    assert expected.earliest is not None
    assert expected.earliest <= expected.minutes
    assert not expected.stays_within


def test_an_unknown_zone_is_refused_by_name(store: Store, build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    with pytest.raises(UnknownName, match="'hall'"):
        zone_forecast(Verdicts(store, setup), "hall", build.at(1))
