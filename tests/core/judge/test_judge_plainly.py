"""The judge against the definitions written out plainly: one cell, one window, one pair at a time.

Source: the definitions of our own design (evidence of a cell, guard bands after JCGM 106:2012 8.3.2, spans,
spreads, settling), with uncertainties by JCGM 100:2008 5.1. Nothing here is shared with the code that is
tested but the description of the room.
"""

from __future__ import annotations

import math
from itertools import combinations, pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.instants import NS
from logger.model import REASONS, Conformity, Setup
from logger.series import Readings

N, STEP, MAX_AGE, WINDOW = 500, 60, 180, 3600
PLACES = {"T1": (0.0, 0.0, 1.0), "T2": (1.0, 0.0, 2.0), "T3": (3.0, 0.0, 1.0)}
CORRECTION, U_CAL, RESOLUTION, NOISE, DRIFT, R = -0.12, 0.11, 0.01, 0.013, 0.06, 0.8
BAND, SPAN, SPREAD = (19.2, 20.9), 0.75, 0.9
SETTLING = 45  # cells
GOOD, GUARD, OUT, SHORT = (
    Conformity.CONFORMING,
    Conformity.GUARD_BAND,
    Conformity.NONCONFORMING,
    Conformity.INDETERMINATE,
)


def micro(value: float) -> int:
    """Whole millionths, half to even."""
    return round(value * 1e6)


def record(rng: np.random.Generator, build: SimpleNamespace) -> dict[str, Readings]:
    """Three probes, at most one reading a cell, with lost polls, lost stretches below an hour, excursions."""
    actual = {}
    room = 20.0 + 0.25 * np.sin(np.arange(N) / rng.uniform(15, 90))
    if rng.random() < 0.7:
        begin = int(rng.integers(0, N))
        room[begin : begin + int(rng.integers(1, 90))] += rng.choice([-0.7, 0.7, 0.45])
    for probe in PLACES:
        value = np.round(room + rng.uniform(-0.3, 0.3) + rng.normal(0, 0.02, N), 2)
        taken_ns = build.at(0) + (np.arange(N) * STEP + rng.integers(5, 55, N)) * NS
        keep = rng.random(N) > rng.choice([0.0, 0.01, 0.03, 0.3])
        for _ in range(int(rng.integers(0, 3))):
            begin = int(rng.integers(0, N))
            keep[begin : begin + int(rng.integers(1, 50))] = False
        none = np.zeros(int(keep.sum()))
        actual[probe] = Readings(taken_ns[keep], value[keep], none.astype(np.uint8), none > 0)
    return actual


class Probe:
    """Corrected readings of a probe by cell, and what a cell may hold."""

    def __init__(self, readings: Readings, begin_ns: int) -> None:
        output = zip(readings.taken_ns.tolist(), readings.value.tolist(), strict=True)
        self.taken = [(t - begin_ns, micro(v + CORRECTION)) for t, v in output]
        self.at = {t // (STEP * NS): (t, v) for t, v in self.taken}
        u = math.sqrt((U_CAL / 2) ** 2 + RESOLUTION**2 / 12 + NOISE**2 + DRIFT**2 / 3)
        self.U = micro(2 * u)

    def bounds(self, cell: int) -> tuple[int, int] | None:
        """Lowest and highest of a cell; of one without a reading, of the two that flank it closely enough."""
        if cell in self.at:
            return self.at[cell][1], self.at[cell][1]
        before = [r for c, r in self.at.items() if c < cell]
        after = [r for c, r in self.at.items() if c > cell]
        if not before or not after:
            return None
        (t0, v0), (t1, v1) = before[-1], after[0]
        return (min(v0, v1), max(v0, v1)) if t1 - t0 <= MAX_AGE * NS else None


def result(candidates: list[tuple[int | None, int, bool]]) -> Conformity:
    """Of (margin, U, evidence) of each candidate."""
    if any(margin is not None and margin < 0 for margin, _, _ in candidates):
        return OUT
    if not all(evidence for _, _, evidence in candidates):
        return SHORT
    # Half to even, as all other numbers.
    return GUARD if any(m is not None and m < round(R * U) for m, U, _ in candidates) else GOOD


def band(probes: list[Probe], cell: int) -> Conformity:
    """Lowest and highest of each cell between the limits."""
    observed = [(p.bounds(cell), p.U) for p in probes]
    return result(
        [
            (None, U, False) if b is None else (min(micro(BAND[1]) - b[1], b[0] - micro(BAND[0])), U, True)
            for b, U in observed
        ]
    )


def span(probes: list[Probe], cell: int) -> Conformity:
    """Largest less smallest in the hour that ends with the cell; the offset cancels in it."""
    U = micro(2 * math.sqrt(2) * math.sqrt(NOISE**2 + RESOLUTION**2 / 12))
    actual: list[tuple[int | None, int, bool]] = []
    for p in probes:
        begin, end = (cell + 1) * STEP * NS - WINDOW * NS, (cell + 1) * STEP * NS
        within = [(t, v) for t, v in p.taken if begin <= t < end]
        edges = [begin, *(t for t, _ in within), end]
        longest = max(b - a for a, b in pairwise(edges))
        enough = len(within) >= 5 and len(within) * STEP >= 0.95 * WINDOW
        evidence = enough and longest <= max(3 * STEP, WINDOW / 12) * NS
        values = [v for _, v in within]
        margin = micro(SPAN) - (max(values) - min(values)) if values else None
        actual.append((margin, U, evidence))
    return result(actual)


def spread(probes: list[Probe], cell: int) -> Conformity:
    """The difference of each pair; a covered cell enters with the bound that makes it larger."""
    actual: list[tuple[int | None, int, bool]] = []
    for a, b in combinations(probes, 2):
        item, other = a.bounds(cell), b.bounds(cell)
        U = round(math.sqrt(a.U**2 + b.U**2))
        if item is None or other is None:
            actual.append((None, U, False))
        else:
            apart = max(abs(item[1] - other[0]), abs(other[1] - item[0]))
            actual.append((micro(SPREAD) - apart, U, True))
    return result(actual)


def reasons(rules: list[list[Conformity]]) -> list[str]:
    """The first reason that applies to each cell; the first rule disturbs bodies."""
    remaining, output = 0, []
    for cell in range(N):
        states = [rule[cell] for rule in rules]
        disturbed = states[0] == OUT
        if OUT in states:
            output.append("nonconforming")
        elif remaining:
            output.append("settling")
        elif SHORT in states:
            output.append("indeterminate")
        else:
            output.append("guard band" if GUARD in states else "conforming")
        if disturbed:
            remaining = SETTLING
        elif remaining and states[0] != SHORT:  # time without evidence does not advance it
            remaining -= 1
    return output


def room(build: SimpleNamespace) -> Setup:
    """The room as the judge is told of it."""
    other = {"lower": None, "unit": "K", "disturbs": False, "r": R}
    rules = (
        build.rule(lower=BAND[0], upper=BAND[1], r=R),
        build.rule(name="span", kind="span", upper=SPAN, window_s=WINDOW, **other),
        build.rule(name="spread", kind="spread", upper=SPREAD, **other),
    )
    return build.setup(  # type: ignore[no-any-return]
        rules, PLACES, U=U_CAL, settling_s=SETTLING * STEP,
        channel={"resolution": RESOLUTION, "noise": NOISE, "max_age_s": MAX_AGE},
        certificate={"corrections": (CORRECTION,), "drift": DRIFT},
    )  # fmt: skip


@pytest.mark.slow
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32 - 1))
def test_cell_by_cell_the_judge_says_what_the_definitions_say(build: SimpleNamespace, seed: int) -> None:
    readings = record(np.random.default_rng(seed), build)
    begin, end = build.at(0), build.at(0) + N * STEP * NS
    judgement = build.judged(room(build), readings, begin, end)
    probes = [Probe(readings[p], begin) for p in PLACES]
    rules = [[judge(probes, cell) for cell in range(N)] for judge in (band, span, spread)]
    for finding, expected in zip(judgement.findings, rules, strict=True):
        assert [Conformity(int(c)) for c in finding.conformity] == expected, finding.rule.key
    assert [REASONS[int(reason)] for reason in judgement.reason] == reasons(rules)


def test_the_records_hold_every_reason(build: SimpleNamespace) -> None:
    """Else the comparison above would prove little."""
    actual = set()
    for seed in range(12):
        readings = record(np.random.default_rng(seed), build)
        judgement = build.judged(room(build), readings, build.at(0), build.at(0) + N * STEP * NS)
        actual |= {REASONS[int(reason)] for reason in judgement.reason}
        actual |= {
            f"{f.rule.kind} {Conformity(int(c)).name}" for f in judgement.findings for c in f.conformity
        }
    states = {GOOD.name, GUARD.name, OUT.name, SHORT.name}
    assert actual >= {"nonconforming", "settling", "indeterminate", "guard band", "conforming"}
    assert actual >= {f"{kind} {state}" for kind in ("limit", "span", "spread") for state in states}
