"""A probe that shows what no room can be is the probe's fault, and no excursion of the room."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.measurement.check import check
from logger.model import Conformity, Setup
from logger.model.reasons import Why

PLACES = {"T1": (1.0, 0.0, 1.0), "T2": (2.0, 0.0, 1.0)}


def bay(build: SimpleNamespace, span: tuple[float, float], need: int = 1, **channel: object) -> Setup:
    more = {"channel": {"probe_span": span, **channel}, "certificate": {"range": span}}
    return build.setup((build.rule(need=need),), PLACES, **more)


def test_a_probe_that_jumps_between_60_and_100_degrees_is_doubted(build: SimpleNamespace) -> None:
    """Inside a span of 0 to 100 degC no other test names it; the room beside it stays at 20 degC."""
    wild = np.full(1440, 20.0)
    wild[600:720] = np.random.default_rng(1).uniform(60.0, 99.9, 120)
    setup = bay(build, (0.0, 100.0), rate=5.0)
    judgement = build.judged(setup, {"T1": build.series(wild), "T2": build.series(np.full(1440, 20.0))})
    assert (judgement.cells["T1.temperature"].why[600:720] == Why.SUSPECT).all()
    assert (judgement.findings[0].conformity != Conformity.NONCONFORMING).all()


def test_a_fast_change_that_a_second_probe_sees_is_one_of_the_room(build: SimpleNamespace) -> None:
    """A door to the yard: 1.2 K a minute for 8 min, by both probes within their U."""
    cold = np.full(1440, 20.0)
    cold[600:608] -= 1.2 * np.arange(1, 9)
    cold[608:660] -= 9.6
    setup = bay(build, (-40.0, 60.0), rate=5.0)
    both = {"T1": build.series(cold), "T2": build.series(cold + 0.05)}
    judgement = build.judged(setup, both)
    assert (judgement.findings[0].conformity[602:660] == Conformity.NONCONFORMING).all()
    alone = build.judged(setup, both | {"T2": build.series(np.full(1440, 20.0))})
    assert (alone.cells["T1.temperature"].why[604:607] == Why.SUSPECT).all()


@pytest.mark.parametrize(
    ("quantity", "value"),
    [("temperature", -1000.0), ("temperature", -273.2), ("relative_humidity", 105.1), ("pressure", -0.1)],
)
def test_what_cannot_be_is_no_value_whatever_span_was_declared(
    build: SimpleNamespace, quantity: str, value: float
) -> None:
    """Absolute zero is −273.15 degC; hygrometers read 105 %RH at most; a pressure is not negative."""
    rule = build.rule(name=quantity, quantity=quantity, unit="", lower=-1e6, upper=1e6)
    of = {"T1": ("temperature", "relative_humidity", "pressure")}
    setup = build.setup(
        (rule,), {"T1": (1.0, 1.0, 1.0)}, quantities=of, channel={"probe_span": (-2000.0, 2000.0)}
    )
    readings = {f"T1.{quantity}": build.series(np.full(1440, value))}
    judgement = build.judged(setup, readings)
    assert not judgement.cells[f"T1.{quantity}"].count.any()
    assert (judgement.findings[0].conformity == Conformity.INDETERMINATE).all()


def test_a_cycle_that_coarse_probes_cannot_follow_is_noticed(build: SimpleNamespace) -> None:
    """±0.37 K in 15 min: read at its own period it stands still. Beside it a finer probe shows the cycle."""
    swing = lambda t: 20 + 0.37 * np.sin(2 * np.pi * t / 900)  # noqa: E731
    setup = bay(build, (-40.0, 60.0), need=1, max_age_s=300)
    coarse = replace(setup.channels["T1.temperature"], interval_s=900, max_age_s=2700)
    setup = replace(setup, channels=setup.channels | {"T1.temperature": coarse})
    readings = {
        "T1": build.series(swing(np.arange(0, 86_400, 900.0)), interval_s=900),
        "T2": build.series(swing(np.arange(0, 86_400, 60.0))),
    }
    answer = check(build.judged(setup, readings), setup, build.at(9), build.at(10), pre_window_s=0)
    (notice,) = answer.notices
    assert notice.startswith("T1.temperature: period not resolved: sampled every 900 s")
    # Alone, nothing can show the cycle; what cannot be seen is said.
    text = "T1.temperature: read every 15 min; a cycle quicker than 30 min is not seen"
    lone = build.judged(setup, {"T1": readings["T1"]})
    assert text in check(lone, setup, build.at(9), build.at(10), pre_window_s=0).settings


def test_probes_that_are_all_coarse_show_the_cycles_that_they_follow(build: SimpleNamespace) -> None:
    """Read every 5 min, a cycle of 40 min is seen, and known to be sampled too seldom (a tenth: 4 min)."""
    setup = bay(build, (-40.0, 60.0), interval_s=300, max_age_s=900)
    values = 20 + 0.3 * np.sin(2 * np.pi * np.arange(0, 86_400, 300.0) / 2400)
    judgement = build.judged(setup, {p: build.series(values, interval_s=300) for p in ("T1", "T2")})
    notices = check(judgement, setup, build.at(9), build.at(10), pre_window_s=0).notices
    assert len(notices) == 2
    assert all("the dominant period is 24" in notice or "23" in notice for notice in notices)
