"""Cases of the budget of a length: the end gauge of the GUM, nominal differential expansion, error index."""

from __future__ import annotations

import math
from collections.abc import Iterator

from ..core.physics.length import (
    CYCLE,
    EVEN,
    IDEAL_SCALE,
    Contribution,
    SharedUncertainty,
    Side,
    budget,
    error_index,
)
from .case import Case, CaseGroup

RECT = 1 / math.sqrt(3)
GUM = "JCGM 100:2008, example H.1 (components also in the documentation of GTC)"
TEI = "ASME B89.6.2 (definitions from memory), arithmetic by hand"
ISO = "JCGM 100:2008, 5.1; ISO/TR 16015:2003, by hand"


def _lines(contributions: tuple[Contribution, ...]) -> dict[str, float]:
    return {line.name: line.u_um * 1000 for line in contributions}


def gauge_block_cases() -> Iterator[Case]:
    """The end gauge of 50 mm: nm."""
    group = CaseGroup("thermal error: GUM H.1", GUM)
    shared = SharedUncertainty(u_t_K=math.hypot(0.2, 0.5 / math.sqrt(2)), u_alpha_per_K=2e-6 * RECT)
    part, scale = Side(11.5e-6, 19.9, u_alpha_per_K=1e-6 * RECT), Side(11.5e-6, 19.9, u_t_K=0.05 * RECT)
    other = math.sqrt(25**2 + 5.8**2 + 3.9**2 + 6.7**2)

    def nm() -> dict[str, float]:
        return _lines(budget(50.000623, part, scale, shared).contributions)

    def first() -> float:
        return math.sqrt(other**2 + sum(u**2 for name, u in nm().items() if name != "second order"))

    yield group.case("difference of expansion, nm", 2.88679, lambda: nm()["expansion of the part"], 1e-3)
    yield group.case("difference of temperature, nm", 16.599, lambda: nm()["temperature of the scale"], 2e-3)
    yield group.case("combined, first order, nm", 31.66, first, 0.03)
    yield group.case(
        "combined with second order, nm", 34.0, lambda: math.hypot(first(), nm()["second order"]), 0.5
    )


def budget_cases() -> Iterator[Case]:
    group = CaseGroup("thermal error: budget", ISO)
    part = Side(23.1e-6, 22.0, 2e-6, 0.3)
    scale = Side(11.5e-6, 21.0, 1e-6, 0.2)
    shared = SharedUncertainty(0.1, 0.5e-6)
    L = 250_000.0
    by_hand = {
        "temperature, shared": L * (23.1e-6 - 11.5e-6) * 0.1,
        "temperature of the part": L * 23.1e-6 * 0.3,
        "temperature of the scale": L * 11.5e-6 * 0.2,
        "expansion, shared": L * 1.0 * 0.5e-6,
        "expansion of the part": L * 2.0 * 2e-6,
        "expansion of the scale": L * 1.0 * 1e-6,
        "second order": L
        * math.sqrt(
            (2e-6 * 0.3) ** 2
            + (2e-6 * 0.1) ** 2
            + (1e-6 * 0.2) ** 2
            + (1e-6 * 0.1) ** 2
            + (0.5e-6 * 0.3) ** 2
            + (0.5e-6 * 0.2) ** 2
        ),
        "temperature variation": 1.6 / 2 / math.sqrt(3),
    }
    u = math.sqrt(math.fsum(x * x for x in by_hand.values()))

    def error_budget() -> tuple[dict[str, float], float, float]:
        b = budget(250.0, part, scale, shared, 1.6)
        return {c.name: c.u_um for c in b.contributions}, b.u_um, b.U_um

    for name, expected in by_hand.items():
        yield group.case(f"{name}, µm", expected, lambda n=name: error_budget()[0][n], 1e-9)
    yield group.case("combined standard and expanded, µm", (u, 2 * u), lambda: error_budget()[1:], 1e-9)
    yield group.case(
        "nominal differential expansion, µm",
        250 * (23.1e-3 * 2 - 11.5e-3),
        lambda: budget(250.0, part, scale).nde_um,
        1e-9,
    )
    steel = Side(11.5e-6, 22.0, 1.15e-6 * RECT, 0.2 * RECT)
    yield group.case(
        "500 mm of steel at 22 degC against an ideal scale: NDE and U, µm",
        (11.5, 1.88),
        lambda: _nde_U(steel, IDEAL_SCALE),
        0.005,
    )
    same = Side(11.5e-6, 22.0)
    yield group.case(
        "one probe for steel on steel adds nothing",
        (0.0, 0.0),
        lambda: _nde_U(same, same, SharedUncertainty(u_t_K=0.5)),
    )
    yield group.case(
        "neither α nor temperature is uncertain unless it is said",
        0.0,
        lambda: budget(500.0, Side(23.1e-6, 22.0), same).U_um,
    )
    yield group.case(
        "shared expansion acts by the difference of temperature alone",
        2 * 500_000 * 1e-6,
        lambda: budget(500.0, Side(11.5e-6, 23.0), same, SharedUncertainty(u_alpha_per_K=1e-6)).U_um,
        1e-9,
    )
    yield group.case(
        "half-range of an even and of a cyclic variation as u",
        (1 / math.sqrt(3), 1 / math.sqrt(2)),
        lambda: (EVEN, CYCLE),
        1e-15,
        "JCGM 100:2008, 4.3.7 and H.1.6 (arcsine)",
    )


def _nde_U(part: Side, scale: Side, shared: SharedUncertainty | None = None) -> tuple[float, float]:
    result = budget(500.0, part, scale, shared)
    return result.nde_um, result.U_um


def index_cases() -> Iterator[Case]:
    group = CaseGroup("thermal error: index", TEI)
    al, steel = Side(23.1e-6, 22.5, 2.31e-6), Side(11.5e-6, 22.5, 1.15e-6)
    for corrected, tei in ((False, 21.825), (True, 7.325)):
        yield group.case(
            f"NDE, UNDE in µm, TEI in percent; corrected: {corrected}",
            (7.25, 2.1625, tei),
            lambda c=corrected: _tei(al, steel, c),
            1e-9,
        )
    cold = Side(23.1e-6, 17.5, 2.31e-6), Side(11.5e-6, 17.5, 1.15e-6)
    yield group.case("the same below 20 degC", (-7.25, 2.1625, 21.825), lambda: _tei(*cold, False), 1e-9)


def _tei(part: Side, scale: Side, corrected: bool) -> tuple[float, float, float]:
    result = error_index(250.0, part, scale, tve_um=1.5, tolerance_um=50.0, corrected=corrected)
    return result.nde_um, result.unde_um, result.tei_pct
