"""Water vapour over liquid water, written out plainly: ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6."""

from __future__ import annotations

import math

# ln(e / Pa) = Σ C[i]·T^(i − 1) + C_LN·ln T, T in K.
C = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8)
C_LN = 6.5459673


def ln_pressure(t_C: float) -> float:
    """Logarithm of the saturation pressure in Pa."""
    T = t_C + 273.15
    return sum(c * T**n for n, c in enumerate(C, start=-1)) + C_LN * math.log(T)


def slope(t_C: float) -> float:
    """Its derivative, in 1/K."""
    T = t_C + 273.15
    return sum(n * c * T ** (n - 1) for n, c in enumerate(C, start=-1)) + C_LN / T


def dew_point(t_C: float, rh_pct: float) -> float | None:
    """Temperature at which the air would be saturated, by Newton's method; None beyond 0 … 100 %RH."""
    if not 0 < rh_pct <= 100:
        return None
    aim, t = ln_pressure(t_C) + math.log(rh_pct / 100), t_C
    for _ in range(20):
        t -= (ln_pressure(t) - aim) / slope(t)
    return t if t >= -60 else None


def dew_point_slopes(t_C: float, rh_pct: float) -> tuple[float, float]:
    """∂t_d/∂t and ∂t_d/∂rh, from ln e_s(t_d) = ln(rh/100) + ln e_s(t)."""
    dew = dew_point(t_C, rh_pct)
    assert dew is not None
    return slope(t_C) / slope(dew), 1 / (rh_pct * slope(dew))
