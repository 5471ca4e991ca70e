"""Cases of rules with several candidates: which is named, which lay beyond, and one that comes later."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from ..core.physics.length import IDEAL_SCALE, SharedUncertainty, Side, budget
from ..core.rules.finding import Finding
from ..instants import NS
from ..model import Placement, Setup
from ..units import MICRO
from .case import Case, CaseGroup
from .room import DAY, N, at, judged, rule, series, setup
from .rules import SLOPE, cell, finding_of, word
from .spatial_rules import GRADIENT


def cases() -> Iterator[Case]:
    """All of them."""
    group = CaseGroup("several candidates", "the worst decides, of equals the first; by hand")
    silent = {"T1": 20.0, "T2": 20.0, "T3": np.full(N, np.nan)}
    heights = {f"T{n}": (0.0, 0.0, float(n)) for n in (1, 2, 3)}
    yield group.case(
        "of two pairs without evidence the first is named",
        "T1–T3",
        lambda: cell(finding_of(rule(**{**GRADIENT, "direction": "vertical"}), silent, places=heights))[4],
    )
    limit = np.full(N, 21.0)
    limit[5] = 21.5
    yield group.case(
        "on the limit is not beyond it, 0.5 K above is",
        (0, 1),
        lambda: tuple(int(finding_of(rule(), {"T1": limit}).beyond[n]) for n in (100, 5)),
    )
    yield group.case(
        "a guard band of 1.001 U, 0.1 mK inside U",
        "GUARD_BAND",
        lambda: word(finding_of(rule(r=1.001), {"T1": 20.7999})),
    )
    twelve = {f"T{n:02}": (0.0, 0.0, 0.5 * n) for n in range(1, 13)}
    hot = {p: 30.0 if p == "T12" else 20.0 for p in twelve}
    yield group.case(
        "of 66 pairs the last ones share the last place among those beyond",
        1,
        lambda: (
            int(finding_of(rule(**{**GRADIENT, "direction": "vertical"}), hot, places=twelve).beyond[-1])
            >> 63
        ),
    )
    # Eleven days: so many cells that the probes are looked at two by two, and the last one alone.
    five, cells = {f"T{n}": (float(n), 1.0, 1.0) for n in range(1, 6)}, 11 * N
    for name, value in (("equal", 20.5), ("silent", np.nan)):
        yield group.case(
            f"of five probes that are {name} the first is named",
            "T1",
            lambda v=value: cell(
                judged(
                    setup((rule(),), five),
                    {p: series(np.full(cells, v)) for p in five},
                    to_ns=DAY + cells * 60 * NS,
                ).findings[0]
            )[4],
        )
    wild = np.round(20.0 + np.random.default_rng(6).normal(0, 0.1, N), 3)
    yield group.case(
        "a slope judged from minute 700 on knows the 59 minutes before",
        abs(float(np.polyfit(np.arange(60) / 60, wild[641:701], 1)[0])),
        lambda: (
            judged(setup((rule(**SLOPE),)), {"T1": series(wild)}, DAY + 700 * 60 * NS).findings[0].value[0]
            / MICRO
        ),
        2e-6,
        source="the least-squares line by numpy's own solver",
    )
    yield from _pairs()
    room = setup((rule(),))
    late = replace(room, placements=(Placement("T1", "T1", at(12)),))
    for minute, result in ((0, "NO_PROBE"), (719, "NO_PROBE"), (720, "CONFORMING"), (N - 1, "CONFORMING")):
        yield group.case(
            f"the only probe came at noon, minute {minute}",
            result,
            lambda m=minute: word(judged(late, {"T1": series(np.full(N, 20.0))}).findings[0], m),
        )
    yield CaseGroup("length", "L·α·u(t), JCGM 100:2008, H.1.3.4, of an ideal scale; by hand").case(
        "500 mm of steel against an ideal scale, both 0.1 K unsure together, U in µm",
        2 * 500e3 * 11.5e-6 * 0.1,
        lambda: budget(500.0, Side(11.5e-6, 20.0), IDEAL_SCALE, SharedUncertainty(u_t_K=0.1)).U_um,
        1e-9,
    )


def _pairs() -> Iterator[Case]:
    group = CaseGroup("pairs that change", "|ΔT|/d; U in quadrature, JCGM 100:2008, 5.1; by hand")
    vertical = rule(**{**GRADIENT, "direction": "vertical", "d_min_m": 0.0})
    level = {"T1": (0.0, 0.0, 1.0), "T2": (2.0, 0.0, 1.0)}
    yield group.case(
        "two probes at one height make no vertical pair",
        0,
        lambda: len(finding_of(vertical, {"T1": 20.0, "T2": 20.6}, places=level).labels),
    )
    pair = setup((vertical,), {"T1": (0, 0, 0), "T2": (0, 0, 2.0)}, U=0.1)
    reference = {p: replace(pair.positions[p], u_m=u) for p, u in (("T1", 0.02), ("T2", 0.05))}
    yield group.case(
        "U of a pair of 0.1 K and 0.6 K apart, one place known to 20 mm, the other to 50 mm",
        math.hypot(math.hypot(0.1, 0.1) / 2, 2 * 0.6 * math.hypot(0.02, 0.05) / 4),
        lambda: _finding(replace(pair, positions=reference), {"T1": 20.0, "T2": 20.6}).U[-1] / MICRO,
        1e-6,
    )
    for mover, place in (("T1", (0, 0, -2.0)), ("T2", (0, 0, 4.0))):
        moved = _moved(pair, mover, place)
        for minute, expected in ((0, 0.3), (719, 0.3), (720, 0.15), (N - 1, 0.15)):
            yield group.case(
                f"0.6 K over 2 m, over 4 m since {mover} was moved at noon, minute {minute}",
                expected,
                lambda s=moved, m=minute: _value(s, {"T1": 20.0, "T2": 20.6}, m),
                1e-6,
            )
    for missed, value, step in (("T1", 20.0, -0.4), ("T2", 20.6, 0.4)):
        departing = np.full(N, value)
        departing[700], departing[701:] = np.nan, value + step
        yield group.case(
            f"{missed} missed a poll while it departed by 0.4 K more: 1.0 K over 2 m",
            0.5,
            lambda r=departing, p=missed: _value(pair, {"T1": 20.0, "T2": 20.6, p: r}, 700),
            1e-6,
        )


def _moved(pair: Setup, probe: str, place: tuple[float, float, float]) -> Setup:
    """A setup where a probe stands at another place since noon."""
    return replace(
        pair,
        positions={**pair.positions, "new": replace(pair.positions[probe], key="new", xyz_m=place)},
        placements=(
            *(p for p in pair.placements if p.probe != probe),
            Placement(probe, probe, 0, at(12)),
            Placement(probe, "new", at(12)),
        ),
    )


def _finding(setup: Setup, values: Mapping[str, object]) -> Finding:
    return judged(setup, {p: series(np.full(N, v)) for p, v in values.items()}).findings[0]


def _value(setup: Setup, values: Mapping[str, object], minute: int) -> float:
    return float(_finding(setup, values).value[minute]) / MICRO
