"""More cases of the plane through probes: few of them, one that is moved, one that missed a poll."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..core.rules.plane import Fit
from ..model import Placement, Position
from ..units import MICRO
from .case import Case, CaseGroup
from .room import N, at, judged, rule, series, setup
from .rules import finding_of, word
from .spatial_rules import CORNERS, GRADIENT

G = (0.06, -0.08, 0.30)
FOUR = {p: CORNERS[p] for p in ("T1", "T2", "T3", "T4")}
PLANE = {**GRADIENT, "kind": "plane", "direction": "vertical"}


def cases() -> Iterator[Case]:
    """All of them."""
    group = CaseGroup(
        "plane through few probes", "a plane T = 20 + g·x, g = (0.06, −0.08, 0.30) K/m; by hand"
    )
    values = {p: _T(xyz) for p, xyz in FOUR.items()}
    for minute in (0, N - 1):
        yield group.case(
            f"four probes suffice, minute {minute}",
            0.30,
            lambda m=minute: finding_of(rule(**PLANE), values, places=FOUR).value[m] / MICRO,
            2e-5,
        )
    silent = {**values, "T4": np.full(N, np.nan)}
    yield group.case(
        "one of four is silent", "NO_READING", lambda: word(finding_of(rule(**PLANE), silent, places=FOUR))
    )
    three = {p: FOUR[p] for p in ("T1", "T2", "T3")}
    yield group.case(
        "three probes are none for a plane",
        "FEW_PROBES",
        lambda: word(finding_of(rule(**PLANE), {p: values[p] for p in three}, places=three)),
    )
    leaning = [Position(f"T{n}", "", "bay", "air", (0.0454 * n, 0, 1.0 * n)) for n in range(4)]
    yield group.case(
        "a pole that leans by 2.6 degrees",
        ("", "vertical"),
        lambda: tuple(sorted(Fit.of(leaning).determined)),
    )
    yield from _long(group)
    yield from _uncertain(group)
    yield from _moved(group)
    yield from _covered(group)


def _T(xyz: tuple[float, float, float]) -> float:
    return 20.0 + float(np.dot(G, xyz))


def _moved(group: CaseGroup) -> Iterator[Case]:
    """All change places at noon, at once; what they read there fits the same plane."""
    room = setup((rule(**PLANE),), FOUR)
    after = dict(zip(FOUR, ("T2", "T3", "T4", "T1"), strict=True))
    stays = [(Placement(p, p, 0, at(12)), Placement(p, then, at(12))) for p, then in after.items()]
    room = replace(room, placements=tuple(stay for both in stays for stay in both))
    values = {p: np.full(N, _T(xyz)) for p, xyz in FOUR.items()}
    for p, then in after.items():
        values[p][720:] = _T(FOUR[then])
    for minute in (0, 718, 719, 720, 721, N - 1):
        yield group.case(
            f"four are moved at noon, minute {minute}",
            0.30,
            lambda m=minute: (
                judged(room, {p: series(v) for p, v in values.items()}).findings[0].value[m] / MICRO
            ),
            2e-5,
        )


def _long(group: CaseGroup) -> Iterator[Case]:
    """20 m by 2 m, of which the heights of the probes depart by ±h: s = 20, 2 and 2·h metres."""
    for h, expected in ((1 / 15, ("horizontal",)), (0.11, ("", "horizontal", "vertical"))):
        places = [(-10, -1, h), (10, -1, -h), (-10, 1, -h), (10, 1, h)]
        positions = [Position(f"T{n}", "", "bay", "air", xyz) for n, xyz in enumerate(places)]
        yield group.case(
            f"a long hall, heights ±{h:.3f} m: s_max/s_3 = {10 / h:.0f}",
            expected,
            lambda at=positions: tuple(sorted(Fit.of(at).determined)),
        )


def _uncertain(group: CaseGroup) -> Iterator[Case]:
    """U of a gradient with several components: along it; in any direction where there is none."""
    x = np.array(list(CORNERS.values()))
    P, U = np.linalg.pinv(x - x.mean(axis=0)), 0.06
    fit = Fit.of([Position(p, p, "bay", "air", xyz, 0.0) for p, xyz in CORNERS.items()])
    even, steep = np.zeros((5, 1)), np.array([[_T(xyz)] for xyz in CORNERS.values()])
    for direction, part in (("horizontal", slice(0, 2)), ("", slice(0, 3)), ("vertical", slice(2, 3))):
        along = np.array(G[part]) / np.linalg.norm(G[part])
        for name, T, expected in (
            ("of the gradient", steep, U * float(np.linalg.norm(along @ P[part]))),
            ("where there is none", even, U * float(np.sqrt((P[part] ** 2).sum()))),
        ):
            yield group.case(
                f"U {name}, {direction or 'whole'}",
                expected,
                lambda d=direction, t=T: float(fit.component(d, t, np.full(t.shape, U), 0 * t)[1][0]),
                1e-9,
                source="pseudo-inverse by numpy; JCGM 100:2008, 5.1.2",
            )


def _covered(group: CaseGroup) -> Iterator[Case]:
    """A poll of T2 was lost between 20.0 and 20.2 K off: the plane is as steep as it may have been."""
    x = np.array(list(CORNERS.values()))
    P = np.linalg.pinv(x - x.mean(axis=0))[2]
    values = {p: np.full(N, _T(xyz)) for p, xyz in CORNERS.items()}
    values["T2"][700] = np.nan
    values["T2"][701:] += 0.2
    middle = np.array([v[0] for v in values.values()]) + np.array([0, 0.1, 0, 0, 0])
    yield group.case(
        "five probes, one of which missed a poll while it rose by 0.2 K",
        abs(float(P @ middle)) + abs(float(P[1])) * 0.1,
        lambda: finding_of(rule(**PLANE), values, places=CORNERS).value[700] / MICRO,
        2e-5,
        source="pseudo-inverse by numpy; by hand",
    )
