"""Cases of rules over a window: spans, slopes, and whether the evidence in the window suffices."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from ..model import Conformity
from ..series import Readings
from ..units import MICRO
from .case import Case, CaseGroup, refused
from .room import N, at, judged, rule, series, setup
from .rules import SLOPE, SPAN, finding_of, word


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _span()
    yield from _slope()
    yield from _windows()


def _span() -> Iterator[Case]:
    group = CaseGroup(
        "span",
        "max − min in any sliding window (t − w, t]; values.csv, rate and gradient definitions; by hand",
    )
    step = np.full(N, 20.0)
    step[600] = 20.5
    for minute, value in ((599, 0.0), (600, 0.5), (659, 0.5), (660, 0.0)):
        yield group.case(
            f"one cell of +0.5 K at minute 600, seen at {minute}",
            value,
            lambda m=minute: finding_of(rule(**SPAN), {"T1": step}).value[m] / MICRO,
            1e-9,
        )
    ramp = np.clip((np.arange(N) - 600) * 0.5 / 60, 0, 0.5)
    yield group.case(
        "required: 0.5 K in 60 min against 0.4 K in 1 h is flagged after 48 min",
        49,
        lambda: (
            int(
                np.flatnonzero(
                    finding_of(rule(**SPAN, r=0.0), {"T1": 20.0 + ramp}).conformity
                    == Conformity.NONCONFORMING
                )[0]
            )
            - 600
        ),
    )
    cycle = 20.0 + 0.5 * np.sin(2 * np.pi * np.arange(N) / 20)
    yield group.case(
        "a cycle of 20 min and ±0.5 K spans 1.0 K",
        1.0,
        lambda: finding_of(rule(**SPAN), {"T1": cycle}).value[700] / MICRO,
        1e-6,
    )
    noisy = {"noise": 0.01, "resolution": 0.02}
    U = 2 * math.sqrt(2) * math.sqrt(0.01**2 + 0.02**2 / 12)
    yield group.case(
        "U(span) = 2·√2·√(noise² + resolution²/12), the certificate's offset cancels",
        U,
        lambda: finding_of(rule(**SPAN), {"T1": 20.0}, channel=noisy, U=0.5).U[-1] / MICRO,
        1e-6,
        "JCGM 100:2008, 4.3.7 and 5.2",
    )
    four = series(np.full(4 * N, 20.0), interval_s=15, phase_s=5)
    U4 = 2 * math.sqrt(2) * math.sqrt(0.01**2 / 4 + 0.02**2 / 12)
    yield group.case(
        "with four readings a cell",
        U4,
        lambda: finding_of(rule(**SPAN), {"T1": four}, channel={**noisy, "interval_s": 15}).U[-1] / MICRO,
        1e-6,
    )
    some = series(
        np.where((np.arange(4 * N) >= 2404) | (np.arange(4 * N) < 2402), 20.0, np.nan),
        interval_s=15,
        phase_s=5,
    )
    U2 = 2 * math.sqrt(2) * math.sqrt(0.01**2 / 2 + 0.02**2 / 12)
    for minute, target in ((599, U4), (600, U2), (659, U2), (660, U4)):
        yield group.case(
            f"the poorest cell of the window counts, minute {minute}",
            target,
            lambda m=minute: (
                finding_of(rule(**SPAN), {"T1": some}, channel={**noisy, "interval_s": 15}).U[m] / MICRO
            ),
            1e-6,
        )
    fahrenheit = {"unit": "degF", "noise": 0.018, "resolution": 0.036, "probe_span": (0.0, 140.0)}
    yield group.case(
        "of a probe in °F, in K",
        U,
        lambda: (
            finding_of(
                rule(**SPAN),
                {"T1": 68.0},
                channel=fahrenheit,
                certificate={"indications": (68.0,), "range": (50.0, 86.0)},
            ).U[-1]
            / MICRO
        ),
        1e-6,
    )
    for window, expected in (
        (3600, "accepted"),
        (0, "refused"),
        (90, "refused"),
        (60, "accepted"),
        (-60, "refused"),
    ):
        yield group.case(
            f"a window of {window} s",
            expected,
            lambda w=window: refused(finding_of, rule(**{**SPAN, "window_s": w}), {"T1": 20.0}),
        )
    yield group.case(
        "a slope needs whole cells, too",
        "refused",
        lambda: refused(finding_of, rule(**{**SLOPE, "window_s": 90}), {"T1": 20.0}),
    )
    yield group.case(
        "a rule without a window does not", "accepted", lambda: refused(finding_of, rule(), {"T1": 20.0})
    )


def _slope() -> Iterator[Case]:
    group = CaseGroup("slope", "least squares over (t − w, t]; u(b) = u_cell/√Σ(t − t̄)²; by hand")
    ramp = 20.0 + 0.3 * (np.arange(N) - 720) / 60
    for lower, sign, value in ((None, 1, 0.3), (None, -1, 0.3), (-1.0, 1, 0.3), (-1.0, -1, -0.3)):
        yield group.case(
            f"ramp of {0.3 * sign:g} K/h, lower limit {lower}",
            value,
            lambda lo=lower, s=sign: (
                finding_of(
                    rule(**{**SLOPE, "lower": lo}),
                    {"T1": 20 + s * (ramp - 20)},
                    certificate={"range": (0, 40)},
                ).value[-1]
                / MICRO
            ),
            2e-6,
        )
    yield group.case(
        "required: 0.30 K/h with 0.02 K of noise",
        0.30,
        lambda: (
            finding_of(
                rule(**SLOPE),
                {"T1": ramp + np.random.default_rng(5).normal(0, 0.02, N)},
                certificate={"range": (0, 40)},
            )
            .value[700:760]
            .mean()
            / MICRO
        ),
        0.02,
    )
    rng = np.random.default_rng(6)
    wild = np.round(20.0 + rng.normal(0, 0.1, N), 3)
    fit = np.polyfit(np.arange(60) / 60, wild[641:701], 1)[0]
    yield group.case(
        "the least-squares line of 60 noisy minutes, by numpy's own solver",
        abs(float(fit)),
        lambda: finding_of(rule(**SLOPE), {"T1": wild}).value[700] / MICRO,
        2e-6,
    )
    gap = wild.copy()
    gap[[650, 675, 690]] = np.nan
    observed = [m for m in range(641, 701) if np.isfinite(gap[m])]
    fit = np.polyfit(np.array(observed) / 60, gap[observed], 1)[0]
    yield group.case(
        "and of 57 of them",
        abs(float(fit)),
        lambda: finding_of(rule(**SLOPE), {"T1": gap}).value[700] / MICRO,
        2e-6,
    )
    hours = np.arange(60) / 60
    spread = float(((hours - hours.mean()) ** 2).sum())
    U = 2 * math.sqrt(0.01**2 + 0.02**2 / 12) / math.sqrt(spread)
    noisy = {"noise": 0.01, "resolution": 0.02}
    yield group.case(
        "its U, K/h", U, lambda: finding_of(rule(**SLOPE), {"T1": 20.0}, channel=noisy).U[-1] / MICRO, 1e-6
    )
    remaining = np.array(observed) / 60
    U57 = (
        2 * math.sqrt(0.01**2 + 0.02**2 / 12) / math.sqrt(float(((remaining - remaining.mean()) ** 2).sum()))
    )
    yield group.case(
        "its U with 57 readings",
        U57,
        lambda: finding_of(rule(**SLOPE), {"T1": gap}, channel=noisy).U[700] / MICRO,
        1e-6,
    )
    step = np.arange(N) * 0.0
    step[720:] = 0.8
    yield group.case(
        "a step of 0.8 K over 61 readings has a slope of 1.18 K/h and no more",
        1.18033,
        lambda: (
            finding_of(rule(**{**SLOPE, "window_s": 3660}), {"T1": 20 + step}).value[719:790].max() / MICRO
        ),
        1e-5,
        "values.csv, rate and gradient definitions: max slope of a step of 0.8 K",
    )
    five = np.full(N, np.nan)
    five[700:] = ramp[700:]
    yield group.case(
        "before its window is complete a slope says nothing",
        "GAP",
        lambda: word(finding_of(rule(**SLOPE), {"T1": five}, certificate={"range": (0, 40)}), 740),
    )
    two = setup((rule(**SLOPE),), step_s=120)
    yield group.case(
        "on a grid of two minutes",
        0.3,
        lambda: judged(two, {"T1": series(ramp)}).findings[0].value[360] / MICRO,
        2e-6,
    )


def _windows() -> Iterator[Case]:
    group = CaseGroup(
        "evidence of a window",
        "required: completeness 95 %, no gap above max(3 intervals, window/12), 5 readings; by hand",
    )
    lost = {
        "56 of 60": (range(10, 14), "INCOMPLETE"),
        "57 of 60": (range(10, 13), "CONFORMING"),
        "58 of 60": (range(10, 12), "CONFORMING"),
    }
    for name, (missing, result) in lost.items():
        values = np.full(N, 20.0)
        values[[600 + m for m in missing]] = np.nan
        yield group.case(
            f"{name} readings", result, lambda v=values: word(finding_of(rule(**SPAN), {"T1": v}), 650)
        )
    loose: Mapping[str, Any] = {**SPAN, "completeness": 0.5}
    for minutes, result in ((4, "CONFORMING"), (5, "GAP")):
        values = np.full(N, 20.0)
        values[600 : 600 + minutes] = np.nan
        for observed in (610, 658) if minutes == 5 else (610,):
            yield group.case(
                f"{minutes} polls lost, at minute {observed}",
                result,
                lambda v=values, s=observed: word(finding_of(rule(**loose), {"T1": v}), s),
            )
    for begin, result in ((630, "CONFORMING"), (629, "CONFORMING"), (720, "CONFORMING")):
        values = np.full(N, 20.0)
        values[600:605] = np.nan
        yield group.case(
            f"and when the loss lies back, minute {begin + 60}",
            result,
            lambda v=values, b=begin: word(finding_of(rule(**loose), {"T1": v}), b + 60),
        )
    yield from _edges(group, loose)
    coarse = {"interval_s": 900, "max_age_s": 2700}
    for interval, result in ((900, "TOO_COARSE"), (720, "CONFORMING")):
        slow = series(np.full(86_400 // interval, 20.0), interval_s=interval)
        yield group.case(
            f"a reading every {interval} s in an hour",
            result,
            lambda s=slow, i=interval: word(
                finding_of(rule(**SPAN), {"T1": s}, channel={**coarse, "interval_s": i})
            ),
        )
    yield group.case(
        "the first hour is evaluated from 57 of its 60 readings on",
        ("INCOMPLETE", "CONFORMING"),
        lambda: (
            word(finding_of(rule(**SPAN), {"T1": 20.0}), 55),
            word(finding_of(rule(**SPAN), {"T1": 20.0}), 56),
        ),
    )
    step = np.full(N, 20.0)
    step[[600, 601, 602, 603]] = np.nan
    step[610] = 21.0
    yield group.case(
        "what was seen beyond counts in an incomplete window",
        "NONCONFORMING",
        lambda: word(finding_of(rule(**SPAN), {"T1": step}), 630),
    )
    silent = np.full(N, np.nan)
    yield group.case("no reading at all", "GAP", lambda: word(finding_of(rule(**SPAN), {"T1": silent})))
    doubt = np.full(N, 20.0)
    doubt[600:606:2] = 21.5
    doubt[606] = 21.5
    yield group.case(
        "where doubt makes the window fail, the doubt is the reason",
        "SUSPECT",
        lambda: word(finding_of(rule(**{**SPAN, "upper": 5.0}), {"T1": doubt}, channel={"spike": 0.5}), 620),
    )


def _edges(group: CaseGroup, loose: Mapping[str, Any]) -> Iterator[Case]:
    """Gaps at either end of a window, and the gap that is exactly as long as may be."""

    def late(gap_s: float) -> Readings:
        times = series(np.full(N, 20.0))
        keep = (times.taken_ns <= at(10) + 30 * 10**9) | (
            times.taken_ns >= at(10) + round((30 + gap_s) * 1e9)
        )
        moved = Readings(*(a[keep] for a in vars(times).values()))
        after = int(np.searchsorted(moved.taken_ns, at(10) + 31 * 10**9))
        moved.taken_ns[after] = at(10) + round((30 + gap_s) * 1e9)
        return moved

    for gap_s, result in ((300.0, "CONFORMING"), (300.001, "GAP"), (299.0, "CONFORMING")):
        yield group.case(
            f"{gap_s:g} s between two readings inside",
            result,
            lambda g=gap_s: word(finding_of(rule(**loose), {"T1": late(g)}), 630),
        )
    for minute, result in ((659, "GAP"), (661, "CONFORMING")):
        yield group.case(
            f"a gap that leaves the window at its begin, minute {minute}",
            result,
            lambda m=minute: word(finding_of(rule(**loose), {"T1": late(330.0)}), m),
        )
    end = series(np.full(N, 20.0))
    for minute, result in ((723, "CONFORMING"), (724, "GAP")):
        stopped = Readings(*(a[end.taken_ns < at(12)] for a in vars(end).values()))
        yield group.case(
            f"silent since 11:59:30, minute {minute}",
            result,
            lambda r=stopped, m=minute: word(finding_of(rule(**loose), {"T1": r}), m),
        )
    for minute, result in ((804, "GAP"), (805, "CONFORMING")):
        begun = Readings(*(a[end.taken_ns >= at(12.5)] for a in vars(end).values()))
        yield group.case(
            f"a record that begins at 12:30:30, minute {minute}",
            result,
            lambda r=begun, m=minute: word(finding_of(rule(**{**loose, "completeness": 0.1}), {"T1": r}), m),
        )
    pairs = series(np.full(2 * N, 20.0), interval_s=30, phase_s=10)
    inside = Readings(*(a.copy() for a in vars(pairs).values()))
    two = setup((rule(**{**loose, "window_s": 3600}),), step_s=600)
    thin = (inside.taken_ns % (600 * 10**9) < 100 * 10**9) | (inside.taken_ns % (600 * 10**9) > 420 * 10**9)
    yield group.case(
        "a gap inside one long cell",
        "GAP",
        lambda: word(judged(two, {"T1": Readings(*(a[thin] for a in vars(inside).values()))}).findings[0]),
    )
