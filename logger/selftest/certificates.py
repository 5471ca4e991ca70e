"""Cases of certificates: correction and U, confirmation in time, errors as found."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import numpy as np

from ..core.calibration.apply import correct_readings
from ..core.calibration.as_found import elapsed_share, released_until_ns
from ..core.calibration.curve import residuals
from ..instants import NS
from ..model import AsFound, Certificate, Channel, Polynomial
from ..model.reasons import Why
from .case import Case, CaseGroup
from .room import BARE, GUM, T1, TWO


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _correction()
    yield from _status()
    yield from _as_found()


def _corrected(
    raw: float, *papers: Certificate, at_ns: int = 0, channel: Channel = T1
) -> tuple[float, float, str]:
    corrected = correct_readings(channel, papers, np.array([at_ns]), np.array([raw]))
    return (
        round(float(corrected.value[0]), 9),
        round(float(corrected.U[0]), 9),
        Why(int(corrected.why[0])).name,
    )


def _correction() -> Iterator[Case]:
    group = CaseGroup("correction and U", GUM)
    for raw, value, U in ((20.0, 19.85, 0.3), (18.0, 17.9, 0.1), (22.0, 21.8, 0.3), (19.0, 18.875, 0.3)):
        yield group.case(
            f"required: errors +0.10 at 18, +0.20 at 22: {raw:g} degC",
            (value, U, "EVIDENCE"),
            lambda r=raw: _corrected(r, TWO),
            1e-9,
            "required: a straight line between points",
        )
    for raw, value, why in (
        (24.0, 23.8, "OUTSIDE_RANGE"),
        (22.000001, 21.800001, "OUTSIDE_RANGE"),
        (17.999999, 17.899999, "OUTSIDE_RANGE"),
        (10.0, 9.9, "OUTSIDE_RANGE"),
    ):
        yield group.case(
            f"nothing is extrapolated: {raw:g} degC",
            (value, why),
            lambda r=raw: _corrected(r, TWO)[::2],
            1e-9,
        )
    exact = replace(TWO, indications=(18.0, 20.0, 22.0), corrections=(0.0, 0.0, 0.0), U=(0.1, 0.3, 0.2))
    for raw, U in ((18.0, 0.1), (19.0, 0.3), (20.0, 0.3), (21.0, 0.3), (22.0, 0.2), (17.0, 0.1)):
        yield group.case(
            f"U of the larger neighbour, at a point its own: {raw:g} degC",
            U,
            lambda r=raw: _corrected(r, exact)[1],
            1e-9,
        )
    fine = replace(T1, resolution=0.1)
    yield group.case(
        "required: U 0.10, resolution 0.1, drift ±0.06",
        0.135,
        lambda: _corrected(20.0, replace(BARE, drift=0.06), channel=fine)[1],
        5e-4,
        "required: " + GUM,
    )
    full = replace(BARE, drift=0.06, other_u=0.02, U=(0.12,), k=3.0)
    u = math.sqrt((0.12 / 3) ** 2 + 0.1**2 / 12 + 0.03**2 + 0.06**2 / 3 + 0.02**2)
    yield group.case(
        "every part of the budget, k = 3",
        2 * u,
        lambda: _corrected(20.0, full, channel=replace(fine, noise=0.03))[1],
        1e-9,
    )
    f = replace(T1, unit="degF", probe_span=(0.0, 140.0))
    paper = replace(BARE, indications=(68.0,), corrections=(-0.9,), U=(0.18,), range=(50.0, 86.0))
    yield group.case(
        "a probe in °F: 68.0 with a correction of −0.9 and U 0.18",
        (19.5, 0.1, "EVIDENCE"),
        lambda: _corrected(68.0, paper, channel=f),
        1e-9,
    )
    curve = replace(TWO, polynomial=Polynomial((0.1, -0.2, 0.3), centre=20.0, scale=2.0), U=(0.1, 0.1))
    for raw, c in (
        (20.0, 0.1),
        (21.0, 0.1 - 0.1 + 0.075),
        (22.0, 0.2),
        (18.0, 0.6),
        (23.0, 0.2),
        (17.0, 0.6),
    ):
        yield group.case(
            f"polynomial 0.1 − 0.2z + 0.3z², z = (x − 20)/2, at {raw:g}",
            raw + c,
            lambda r=raw: _corrected(r, curve)[0],
            1e-9,
        )
    as_left = replace(
        TWO, indications=(18.0, 20.0, 21.0, 22.0), corrections=(0.03, 0.0, -0.01, 0.02), U=(0.0,) * 4
    )
    zero = replace(as_left, polynomial=Polynomial((0.0, 0.0)))
    r2 = 0.03**2 + 0.01**2 + 0.02**2
    yield group.case(
        "what a polynomial of two coefficients leaves of four points",
        2 * math.sqrt(r2 / 2),
        lambda: _corrected(20.0, zero)[1],
        1e-9,
    )
    tight = replace(as_left, polynomial=Polynomial((0.0,) * 4))
    yield group.case(
        "of as many coefficients as points: the largest", 0.06, lambda: _corrected(20.0, tight)[1], 1e-9
    )
    yield group.case(
        "of three coefficients: one degree of freedom",
        2 * math.sqrt(r2),
        lambda: _corrected(20.0, replace(as_left, polynomial=Polynomial((0.0,) * 3)))[1],
        1e-9,
    )
    yield group.case("residuals of the points", (0.03, 0.0, -0.01, 0.02), lambda: residuals(zero), 1e-12)
    yield group.case(
        "without a polynomial nothing is left over",
        0.2,
        lambda: _corrected(20.0, replace(TWO, U=(0.2, 0.2)))[1],
        1e-9,
    )


def _status() -> Iterator[Case]:
    group = CaseGroup("confirmation in time", "required: due means through the end of that day; by hand")
    day = 86_400 * NS
    second = replace(BARE, number="C-2", valid_from_ns=10 * day, corrections=(0.5,))
    first = replace(BARE, valid_from_ns=day)
    for when, value, why in (
        (day - 1, 20.0, "NO_CERTIFICATE"),
        (day, 20.0, "EVIDENCE"),
        (10 * day - 1, 20.0, "EVIDENCE"),
        (10 * day, 20.5, "EVIDENCE"),
    ):
        yield group.case(
            f"two certificates, {when} ns",
            (value, why),
            lambda w=when: _corrected(20.0, first, second, at_ns=w)[::2],
            1e-9,
        )
    due = replace(BARE, due_ns=5 * day)
    for when, why in ((5 * day - 1, "EVIDENCE"), (5 * day, "OVERDUE")):
        yield group.case(
            f"due at the end of day 5, {when} ns", why, lambda w=when: _corrected(20.0, due, at_ns=w)[2]
        )
    removed = replace(due, withdrawn_ns=6 * day)
    for when, why in ((6 * day - 1, "OVERDUE"), (6 * day, "WITHDRAWN")):
        yield group.case(
            f"withdrawn on day 6, {when} ns", why, lambda w=when: _corrected(20.0, removed, at_ns=w)[2]
        )
    again = replace(
        second, as_found=AsFound((20.0,), (0.06,)), calibrated_ns=8 * day, releases_overdue="late"
    )
    allowed = replace(due, drift=0.06)
    for when, why in ((8 * day - 1, "EVIDENCE"), (8 * day, "OVERDUE")):
        yield group.case(
            f"released by a calibration on day 8 within the drift, {when} ns",
            why,
            lambda w=when: _corrected(20.0, allowed, again, at_ns=w)[2],
        )
    for error, expected in ((0.06, 8 * day), (-0.06, 8 * day), (0.060001, None), (-0.060001, None)):
        worse = replace(again, as_found=AsFound((20.0,), (error,)))
        yield group.case(
            f"as found {error:g} K of a drift of 0.06 K",
            expected,
            lambda c=worse: released_until_ns(allowed, c),
        )
    yield group.case(
        "without a reason, or without errors, nothing is released",
        (None, None),
        lambda: (
            released_until_ns(allowed, replace(again, releases_overdue="")),
            released_until_ns(allowed, replace(again, as_found=None)),
        ),
    )
    yield group.case(
        "calibrated when put in use, where no other day is told",
        10 * day,
        lambda: released_until_ns(allowed, replace(again, calibrated_ns=None)),
    )
    early = replace(again, calibrated_ns=3 * day)
    yield group.case(
        "a release before the due day changes nothing",
        ("EVIDENCE", "OVERDUE"),
        lambda: tuple(_corrected(20.0, allowed, early, at_ns=w)[2] for w in (5 * day - 1, 5 * day)),
    )


def _as_found() -> Iterator[Case]:
    group = CaseGroup("errors as found", "required: half-widths rectangular, JCGM 100:2008, 4.3.7; by hand")
    month = 30 * 86_400 * NS

    def paper(error: float, model: Literal["", "step", "linear"] = "linear") -> Certificate:
        return replace(
            BARE, number="C-2", valid_from_ns=12 * month, as_found=AsFound((20.0,), (error,), model)
        )

    yield group.case(
        "required: +0.30 K after 12 months, month 6: 19.20 → 19.05, U 0.10 → 0.20",
        (19.05, 2 * math.sqrt(0.05**2 + 0.15**2 / 3), "EVIDENCE"),
        lambda: _corrected(19.2, BARE, paper(0.3), at_ns=6 * month),
        1e-6,
    )
    drifted = replace(BARE, drift=0.06)
    yield group.case(
        "an even drift takes the place of the declared one",
        2 * math.sqrt(0.05**2 + 0.02**2 / 3),
        lambda: _corrected(20.0, drifted, paper(-0.04), at_ns=6 * month)[1],
        1e-9,
    )
    yield group.case(
        "a step widens and does not shift",
        (20.0, 2 * math.sqrt(0.05**2 + 0.06**2 / 3 + 0.3**2 / 3), "EVIDENCE"),
        lambda: _corrected(20.0, drifted, paper(-0.3, "step"), at_ns=6 * month),
        1e-9,
    )
    yield group.case(
        "without a model nothing follows",
        (20.0, 0.1, "EVIDENCE"),
        lambda: _corrected(20.0, BARE, paper(0.3, ""), at_ns=6 * month),
        1e-9,
    )
    yield group.case(
        "the error as left is taken off",
        19.2 - 0.15 * 0.5,
        lambda: _corrected(
            19.2,
            replace(BARE, corrections=(0.0,), indications=(19.2,)),
            replace(paper(0.15)),
            at_ns=6 * month,
        )[0],
        1e-9,
    )
    as_left = replace(BARE, corrections=(-0.1,))
    yield group.case(
        "as left +0.10, as found +0.30: half of 0.20 at half time",
        19.2 - 0.1 - 0.1,
        lambda: _corrected(19.2, as_left, paper(0.3), at_ns=6 * month)[0],
        1e-9,
    )
    old, new = replace(BARE, calibrated_ns=-2 * month), replace(paper(0.3), calibrated_ns=10 * month)
    yield group.case(
        "from calibration to calibration",
        (2 / 12, 0.5, 1.0, 1.0, 0.0),
        lambda: elapsed_share(old, new, np.array([0, 4 * month, 10 * month, 11 * month, -3 * month])),
        1e-12,
    )
    yield group.case(
        "calibrations of one instant: all of it",
        (1.0, 1.0),
        lambda: elapsed_share(BARE, replace(BARE), np.array([-1, 5])),
    )
