"""Temperature of the core of a thick body that follows the air: first term of the Fourier series.

    wall       ζ·tan ζ = Bi         C = 4·sin ζ/(2ζ + sin 2ζ)
    cylinder   ζ·J1(ζ)/J0(ζ) = Bi   C = 2/ζ · J1/(J0² + J1²)
    sphere     1 − ζ·cot ζ = Bi     C = 4·(sin ζ − ζ·cos ζ)/(2ζ − sin 2ζ)

Bi = h·a/k with the half thickness or radius a; the core's difference from the air is C·exp(−ζ²·κ·t/a²) of
the initial one, κ = k/(ρ·c) (Incropera & DeWitt, 5.5 and 5.6). A cuboid is the product of three walls, a
cylinder of its length that of a long cylinder and a wall (ibid., product solutions): every face counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from .thermal import Body

# A direction with less than this share of the fastest rate is neglected, which gives the longer time.
LEAST_RATE_SHARE = 0.05
Kind = Literal["wall", "cylinder", "sphere"]
# The one-dimensional bodies whose product a shape is, in the order of its sizes.
_KINDS: dict[str, tuple[Kind, ...]] = {
    "cuboid": ("wall", "wall", "wall"),
    "cylinder": ("cylinder", "wall"),
    "sphere": ("sphere",),
}


def core_response(
    body: Body, shape: Literal["cuboid", "cylinder", "sphere"], size_mm: tuple[float, ...], film: float
) -> tuple[float, float]:
    """Time constant in s of the core, and C: its apparent initial difference as a multiple of the true one.

    size_mm as for `thermal.volume_and_area`; film = h in W/(m²·K), the same on every face.

    >>> from .thermal import BODIES
    >>> tau_s, C = core_response(BODIES["granite"], "cuboid", (400.0, 400.0, 400.0), 8.0)
    >>> round(tau_s / 17775, 2), round(C, 2)  # 17775 s: as if it had one temperature
    (1.2, 1.25)
    """
    half = [s / 2000 for s in size_mm]
    kinds = _KINDS[shape]
    terms = [(a, first_term(kind, film * a / body.conductivity)) for kind, a in zip(kinds, half, strict=True)]
    rates = [(zeta**2 / a**2, C) for a, (zeta, C) in terms]
    # The ends of a long part do not reach its core in that time; their first term alone would mislead.
    least = LEAST_RATE_SHARE * max(rate for rate, _ in rates)
    counted = [term for term in rates if term[0] >= least]
    total = sum(rate for rate, _ in counted)
    start = math.prod(C for _, C in counted)
    return body.density * body.specific_heat / (body.conductivity * total), start


def first_term(kind: Kind, biot: float) -> tuple[float, float]:
    """ζ in rad and amplitude C of the first term, for one kind of body and its Biot number.

    >>> [round(x, 4) for x in first_term("wall", 1.0)], [round(x, 4) for x in first_term("cylinder", 1.0)]
    ([0.8603, 1.1191], [1.2558, 1.2071])
    """
    f, end, C = _FIRST_TERMS[kind]
    low, high = 0.0, end
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) < biot else (low, middle)
    return high, C(high)


def _bessel(x: float) -> tuple[float, float]:
    """J0 and J1 by their power series, exact to the last digits for x below 2.5 as used here."""
    q, term, j0, j1 = x * x / 4, 1.0, 0.0, 0.0
    for n in range(25):
        j0 += term
        j1 += term * x / 2 / (n + 1)
        term *= -q / (n + 1) ** 2
    return j0, j1


def _long_cylinder(x: float) -> float:
    j0, j1 = _bessel(x)
    return x * j1 / j0


def _amplitude_of_cylinder(x: float) -> float:
    j0, j1 = _bessel(x)
    return 2 / x * j1 / (j0**2 + j1**2)


def _amplitude_of_sphere(x: float) -> float:
    return 4 * (math.sin(x) - x * math.cos(x)) / (2 * x - math.sin(2 * x))


# Function of ζ that equals Bi, end of its first branch, and C as a function of ζ.
_FIRST_TERMS: dict[Kind, tuple[Callable[[float], float], float, Callable[[float], float]]] = {
    "wall": (
        lambda x: x * math.tan(x),
        math.pi / 2,
        lambda x: 4 * math.sin(x) / (2 * x + math.sin(2 * x)),
    ),
    "cylinder": (_long_cylinder, 2.404825557695773, _amplitude_of_cylinder),
    "sphere": (lambda x: 1 - x / math.tan(x), math.pi, _amplitude_of_sphere),
}
