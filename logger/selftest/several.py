"""Cases of rules with several candidates: which is named, which lay beyond, and one that comes later."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..model import NS, Placement
from ..physics.length import IDEAL_SCALE, Shared, Side, budget
from .case import Case, Group
from .made import DAY, at, judged, rule, series, setup
from .rules import cell, found, word
from .spaces import GRADIENT

N = 1440


def cases() -> Iterator[Case]:
    """All of them."""
    group = Group("several candidates", "the worst decides, of equals the first; by hand")
    silent = {"T1": 20.0, "T2": 20.0, "T3": np.full(N, np.nan)}
    heights = {f"T{n}": (0.0, 0.0, float(n)) for n in (1, 2, 3)}
    yield group.case(
        "of two pairs without evidence the first is named",
        "T1–T3",
        lambda: cell(found(rule(**{**GRADIENT, "direction": "vertical"}), silent, places=heights))[4],
    )
    limit = np.full(N, 21.0)
    limit[5] = 21.5
    yield group.case(
        "on the limit is not beyond it, 0.5 K above is",
        (0, 1),
        lambda: tuple(int(found(rule(), {"T1": limit}).beyond[n]) for n in (100, 5)),
    )
    yield group.case(
        "a guard band of 1.001 U, 0.1 mK inside U",
        "GUARD_BAND",
        lambda: word(found(rule(r=1.001), {"T1": 20.7999})),
    )
    twelve = {f"T{n:02}": (0.0, 0.0, 0.5 * n) for n in range(1, 13)}
    hot = {p: 30.0 if p == "T12" else 20.0 for p in twelve}
    yield group.case(
        "of 66 pairs the last ones share the last place among those beyond",
        1,
        lambda: (
            int(found(rule(**{**GRADIENT, "direction": "vertical"}), hot, places=twelve).beyond[-1]) >> 63
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
    made = setup((rule(),))
    late = replace(made, placements=(Placement("T1", "T1", at(12)),))
    for minute, result in ((0, "NO_PROBE"), (719, "NO_PROBE"), (720, "CONFORMING"), (N - 1, "CONFORMING")):
        yield group.case(
            f"the only probe came at noon, minute {minute}",
            result,
            lambda m=minute: word(judged(late, {"T1": series(np.full(N, 20.0))}).findings[0], m),
        )
    yield Group("length", "L·α·u(t), JCGM 100:2008, H.1.3.4, of an ideal scale; by hand").case(
        "500 mm of steel against an ideal scale, both 0.1 K unsure together, U in µm",
        2 * 500e3 * 11.5e-6 * 0.1,
        lambda: budget(500.0, Side(11.5e-6, 20.0), IDEAL_SCALE, Shared(u_t_K=0.1)).U_um,
        1e-9,
    )
