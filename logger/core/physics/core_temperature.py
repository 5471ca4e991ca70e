"""How the middle of a thick body follows the air: the first term of the series of Fourier.

    wall       ζ·tan ζ = Bi         C = 4·sin ζ/(2ζ + sin 2ζ)
    cylinder   ζ·J1(ζ)/J0(ζ) = Bi   C = 2/ζ · J1/(J0² + J1²)
    sphere     1 − ζ·cot ζ = Bi     C = 4·(sin ζ − ζ·cos ζ)/(2ζ − sin 2ζ)

Bi = h·a/k with the half thickness or radius a; the middle's difference is C·exp(−ζ²·κ·t/a²) of the
first one, κ = k/(ρ·c) (Incropera & DeWitt, 5.5 and 5.6). A cuboid is the product of three walls, a
cylinder of its length that of a long cylinder and a wall (ibid., product solutions): every face counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from .thermal import Body

# A direction that is slower than the fastest by more than this does not count: the later answer.
FELT = 0.05
Kind = Literal["wall", "cylinder", "sphere"]
# Of which bodies a shape is the product, in the order of its sizes.
_KINDS: dict[str, tuple[Kind, ...]] = {
    "cuboid": ("wall", "wall", "wall"),
    "cylinder": ("cylinder", "wall"),
    "sphere": ("sphere",),
}


def core(
    body: Body, shape: Literal["cuboid", "cylinder", "sphere"], size_mm: tuple[float, ...], film: float
) -> tuple[float, float]:
    """Time constant in s of the middle, and C: what its difference starts from, as a multiple.

    size_mm as for `thermal.volume_and_area`; film = h in W/(m²·K), the same on every face.

    >>> from .thermal import BODIES
    >>> tau_s, C = core(BODIES["granite"], "cuboid", (400.0, 400.0, 400.0), 8.0)
    >>> round(tau_s / 17775, 2), round(C, 2)  # 17775 s: as if it had one temperature
    (1.2, 1.25)
    """
    half = [s / 2000 for s in size_mm]
    kinds = _KINDS[shape]
    each = [(a, first_term(kind, film * a / body.conductivity)) for kind, a in zip(kinds, half, strict=True)]
    rates = [(zeta**2 / a**2, C) for a, (zeta, C) in each]
    # The ends of a long piece are not felt in its middle by then, and their first term alone would mislead.
    least = FELT * max(rate for rate, _ in rates)
    felt = [one for one in rates if one[0] >= least]
    total = sum(rate for rate, _ in felt)
    start = math.prod(C for _, C in felt)
    return body.density * body.specific_heat / (body.conductivity * total), start


def first_term(kind: Kind, biot: float) -> tuple[float, float]:
    """ζ in rad and C of the first term.

    >>> [round(x, 4) for x in first_term("wall", 1.0)], [round(x, 4) for x in first_term("cylinder", 1.0)]
    ([0.8603, 1.1191], [1.2558, 1.2071])
    """
    f, end, C = _OF[kind]
    low, high = 0.0, end
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) < biot else (low, middle)
    return high, C(high)


def _bessel(x: float) -> tuple[float, float]:
    """J0 and J1 by their power series, exact to the last digits for the x below 2.5 that stand here."""
    q, term, j0, j1 = x * x / 4, 1.0, 0.0, 0.0
    for n in range(25):
        j0 += term
        j1 += term * x / 2 / (n + 1)
        term *= -q / (n + 1) ** 2
    return j0, j1


def _long_cylinder(x: float) -> float:
    j0, j1 = _bessel(x)
    return x * j1 / j0


def _of_cylinder(x: float) -> float:
    j0, j1 = _bessel(x)
    return 2 / x * j1 / (j0**2 + j1**2)


def _of_sphere(x: float) -> float:
    return 4 * (math.sin(x) - x * math.cos(x)) / (2 * x - math.sin(2 * x))


# The equation for ζ, where its first branch ends, and C.
_OF: dict[Kind, tuple[Callable[[float], float], float, Callable[[float], float]]] = {
    "wall": (
        lambda x: x * math.tan(x),
        math.pi / 2,
        lambda x: 4 * math.sin(x) / (2 * x + math.sin(2 * x)),
    ),
    "cylinder": (_long_cylinder, 2.404825557695773, _of_cylinder),
    "sphere": (lambda x: 1 - x / math.tan(x), math.pi, _of_sphere),
}
