"""Replay against a planted year, and its counting against the alarms themselves."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.bench.record import START_NS, setup
from logger.core.alarms.condition import Cell
from logger.core.alarms.lifecycle import Alarm, step
from logger.core.alarms.replay import AlarmCounter
from logger.errors import Refused, UnknownName
from logger.instants import NS
from logger.model import AlarmSpec, Conformity, Row
from logger.store import Store
from logger.verdicts.replay import Delay, delays_of, replay_alarms

MINUTE = 60 * NS
CLEAR, NEAR, OUT, UNKNOWN = range(4)
FOUND = {CLEAR: Conformity.CONFORMING, NEAR: Conformity.CONFORMING, OUT: Conformity.NONCONFORMING,
         UNKNOWN: Conformity.INDETERMINATE}  # fmt: skip
MARGIN = {CLEAR: 0.5, NEAR: 0.05, OUT: -0.2, UNKNOWN: None}


@pytest.mark.slow
@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(1, 9)), max_size=30),
    st.sampled_from([0, 60, 150, 300]),
    st.sampled_from([0, 60, 300]),
    st.integers(1, 7),
)
@settings(max_examples=300)
def test_counting_in_runs_is_counting_minute_by_minute(
    story: list[tuple[int, int]], on_s: int, off_s: int, cut: int
) -> None:
    """The same occurrences as `alarms.step` gives, however the record is cut into parts."""
    each = [code for code, length in story for _ in range(length)]
    spec = AlarmSpec("air", "bay.temperature", "high", "", "Look.", on_s, off_s, 0.1)
    alarm, output = Alarm("air"), []
    for n, code in enumerate(each):
        cell = Cell(n * MINUTE, (n + 1) * MINUTE, FOUND[code], 20.0, 0.0, MARGIN[code])
        outcome = step(spec, alarm, [cell], [], (n + 1) * MINUTE)
        alarm = outcome.alarm
        output += [(x.step, x.at_ns, x.since_ns) for x in outcome.notices]

    counted = AlarmCounter(on_s, off_s, 0.1, 60)
    for begin in range(0, len(each), cut):
        counted.runs(begin, np.array(each[begin : begin + cut], np.uint8))

    begun = [("annunciated", o.annunciated_ns, o.from_ns) for o in counted.occurrences]
    ended = [("returned", o.to_ns) for o in counted.occurrences if o.to_ns is not None]
    assert begun == [x for x in output if x[0] == "annunciated"]
    assert ended == [x[:2] for x in output if x[0] == "returned"]


def planted(days: int) -> tuple[np.ndarray, int, int]:  # type: ignore[type-arg]
    """A record at 20 °C with 9 excursions to +1.5 K of 8 min and 14 more to +0.8 K of 25 min, and decoys.

    Decoys: 20 of +1.5 K for 3 min, 20 of +0.8 K for 7 min. Beyond 1.0 K and 5 min: 9. Beyond 0.5 K and
    10 min: 14 alone, because those of 8 min are too short.
    """
    values = np.full(days * 1440, 20.0)
    kinds = [(9, 1.5, 8), (14, 0.8, 25), (20, 1.5, 3), (20, 0.8, 7)]
    each = [(rise, length) for number, rise, length in kinds for _ in range(number)]
    gap = len(values) // (len(each) + 1)
    for n, (rise, length) in enumerate(np.random.default_rng(7).permutation(np.array(each, object))):
        values[(n + 1) * gap : (n + 1) * gap + length] += rise
    return values, 9, 14


@pytest.mark.slow
def test_a_planted_year_is_counted_exactly(tmp_path: Path) -> None:
    """Numbers of our own; weeks here, a year is longer and no other."""
    values, beyond_1K, beyond_half_K = planted(20)
    base = setup(2)
    zone = base.zones_now()[0].key
    rule = next(r for r in base.rules if r.kind == "limit" and r.quantity == "temperature")
    channels = [c for c in base.channels_of(rule)]
    begin = time.perf_counter()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        rng = np.random.default_rng(3)
        for channel in channels:
            noise = np.round(values + rng.normal(0, 0.01, len(values)), 3)
            at = START_NS + 30 * NS
            rows = [Row(channel, at + n * MINUTE, at + n * MINUTE, float(v)) for n, v in enumerate(noise)]
            store.append("poll", rows)
        span = (START_NS, START_NS + len(values) * MINUTE)
        result = {}
        for half_K, on_s in ((1.0, 300), (0.5, 600)):
            limits = replace(rule, lower=20.0 - half_K, upper=20.0 + half_K, from_ns=0, to_ns=None)
            other = replace(base, rules=(limits,), alarms=())
            result[half_K] = replay_alarms(store, other, *span, {"": Delay(on_s, 60, 0.0)})
    print(f"{len(channels)} channels, 20 days, twice: {time.perf_counter() - begin:.1f} s with storing")
    assert len(result[1.0].alarms[rule.key]) == beyond_1K
    assert len(result[0.5].alarms[rule.key]) == beyond_half_K
    assert sum(result[1.0].hours.values()) == pytest.approx(20 * 24)
    assert result[0.5].hours["not stable"] > result[1.0].hours["not stable"]
    assert zone == rule.zone


def test_delays_as_people_write_them() -> None:
    """For all, for one rule, with off-delay and deadband; nonsense is named."""
    base = setup(8)
    key = base.rules[0].key

    assert delays_of(["600", f"{key}=60/120/0.1"], base) == {
        "": Delay(600), key: Delay(60, 120, 0.1)
    }  # fmt: skip
    for text in ("", "x", "-1", "60/", "1/2/3/4", "60/60/nan"):
        with pytest.raises(Refused, match="--delays"):
            delays_of([text], base)
    with pytest.raises(UnknownName):
        delays_of(["no-such.rule=60"], base)
