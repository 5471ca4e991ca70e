"""The formulas once more, in plain arithmetic, from constants transcribed from their publications.

A published value has few digits, and a constant may be wrong behind them. Here each formula is written a
second time, as its publication prints it, from `constants.csv`: no numpy, no tables, roots by bisection.
What the program computes must agree to its last digits, so that no digit of a constant can change unseen.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from functools import cache
from importlib.resources import files


@cache
def table(name: str) -> tuple[dict[str, str], ...]:
    """The rows of a table of this package."""
    text = files(__package__).joinpath(name).read_text("utf-8")
    return tuple(csv.DictReader(text.splitlines()))


@cache
def printed() -> dict[str, float]:
    """Constants by name."""
    return {row["name"]: float(row["value"]) for row in table("constants.csv")}


def sources(begin: str) -> str:
    """Where the constants of that beginning are printed."""
    return "; ".join(
        dict.fromkeys(r["source"] for r in table("constants.csv") if r["name"].startswith(begin))
    )


def saturation(formula: str, over: str, t_C: float) -> float:
    """Saturation pressure in Pa; `over` is "water" or "ice"."""
    T, begin = t_C + printed()["zero"], f"{formula}.{over}."
    total = 0.0
    for name, value in printed().items():
        if name.startswith(begin):
            power = name.removeprefix(begin)
            total += value * (math.log(T) if power == "ln" else T ** int(power))
    return math.exp(total)


def log_slope(t_C: float) -> float:
    """d ln e/dT of Hyland & Wexler over water in 1/K, term by term."""
    T, begin = t_C + printed()["zero"], "hyland-wexler.water."
    terms = {n.removeprefix(begin): v for n, v in printed().items() if n.startswith(begin)}
    log = terms.pop("ln")
    return log / T + math.fsum(v * int(p) * T ** (int(p) - 1) for p, v in terms.items())


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function is 0, by bisection to the last bit."""
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) < 0 else (low, middle)
    return (low + high) / 2


def dew_point(t_C: float, rh_pct: float, over: str = "water", formula: str = "hyland-wexler") -> float:
    """Temperature in degC at which the vapour would be saturated over water or ice."""
    e = rh_pct / 100 * saturation(formula, "water", t_C)
    low, high = (-60.0, 200.0) if over == "water" else (-100.0, 0.01)
    return root(lambda t: saturation(formula, over, t) - e, low, high)


def mixing_ratio(t_C: float, rh_pct: float, p_Pa: float) -> float:
    """kg of vapour per kg of dry air."""
    e = rh_pct / 100 * saturation("hyland-wexler", "water", t_C)
    return printed()["molar.ratio"] * e / (p_Pa - e)


def absolute_humidity(t_C: float, rh_pct: float) -> float:
    """g/m³ as an ideal gas."""
    e = rh_pct / 100 * saturation("hyland-wexler", "water", t_C)
    return 1000 * e / (printed()["vapour.R"] * (t_C + printed()["zero"]))


def wet_bulb(t_C: float, rh_pct: float, p_Pa: float) -> float:
    """Thermodynamic wet bulb in degC, from the balance of ASHRAE's eq. 33."""
    c, W = printed(), mixing_ratio(t_C, rh_pct, p_Pa)

    def lack(t: float) -> float:
        heat = (c["wet.hfg"] - c["wet.slope"] * t) * mixing_ratio(t, 100.0, p_Pa) - c["wet.cp"] * (t_C - t)
        return heat / (c["wet.hfg"] + c["wet.cpv"] * t_C - c["wet.cpw"] * t) - W

    return root(lack, dew_point(t_C, rh_pct), t_C)


def _vapour(t_C: float, rh_pct: float) -> float:
    """Pressure of the vapour in Pa: over liquid water at every temperature."""
    return rh_pct / 100 * saturation("hyland-wexler", "water", t_C)


def _Z(p_Pa: float, t_C: float, x: float) -> float:
    """Compressibility, Ciddor 1996 eq. 12."""
    c, ratio = printed(), p_Pa / (t_C + printed()["zero"])
    a = c["ciddor.a0"] + c["ciddor.a1"] * t_C + c["ciddor.a2"] * t_C * t_C
    b, d = c["ciddor.b0"] + c["ciddor.b1"] * t_C, c["ciddor.c0"] + c["ciddor.c1"] * t_C
    return 1 - ratio * (a + b * x + d * x * x) + ratio * ratio * (c["ciddor.d"] + c["ciddor.e"] * x * x)


def densities(t_C: float, p_Pa: float, rh_pct: float, xco2_ppm: float = 450.0) -> tuple[float, float]:
    """kg/m³ of the dry part and of the vapour, Ciddor 1996 eq. 4."""
    c = printed()
    f = c["ciddor.alpha"] + c["ciddor.beta"] * p_Pa + c["ciddor.gamma"] * t_C * t_C
    x = f * _vapour(t_C, rh_pct) / p_Pa
    moles = p_Pa / (_Z(p_Pa, t_C, x) * c["ciddor.R"] * (t_C + c["zero"]))
    return moles * _dry_mass(xco2_ppm) * (1 - x), moles * c["ciddor.Mv"] * x


def density_2007(t_C: float, p_Pa: float, rh_pct: float, xco2_ppm: float = 400.0) -> float:
    """kg/m³ of moist air, Picard 2008 eq. 1; compressibility and enhancement are those of Ciddor 1996."""
    c, T = printed(), t_C + printed()["zero"]
    saturated = math.exp(c["picard.A"] * T * T + c["picard.B"] * T + c["picard.C"] + c["picard.D"] / T)
    f = c["ciddor.alpha"] + c["ciddor.beta"] * p_Pa + c["ciddor.gamma"] * t_C * t_C
    x = rh_pct / 100 * f * saturated / p_Pa
    dry = c["picard.Ma"] + c["picard.Mc"] * (xco2_ppm * 1e-6 - 0.0004)
    return p_Pa * dry / (_Z(p_Pa, t_C, x) * c["ciddor.R"] * T) * (1 - x * (1 - c["picard.Mv"] / dry))


def _dry_mass(xco2_ppm: float) -> float:
    return printed()["ciddor.Ma"] + printed()["ciddor.Mc"] * (xco2_ppm - 400)


def index(nm: float, t_C: float, p_Pa: float, rh_pct: float, xco2_ppm: float = 450.0) -> float:
    """n − 1 of moist air, Ciddor 1996 eq. 1 to 5 and his appendix A."""
    c, S = printed(), (1000 / nm) ** 2
    n_as = 1e-8 * (
        c["ciddor.k1"] / (c["ciddor.k0"] - S) + c["ciddor.k3"] / (c["ciddor.k2"] - S)
    )  # standard air, 15 degC, 101 325 Pa, 450 ppm
    n_axs = n_as * (1 + c["ciddor.co2"] * (xco2_ppm - 450))
    water = c["ciddor.w0"] + c["ciddor.w1"] * S + c["ciddor.w2"] * S**2 + c["ciddor.w3"] * S**3
    n_ws = c["ciddor.cf"] * water  # standard vapour, 20 degC, 1333 Pa
    T15, T20 = 15 + c["zero"], 20 + c["zero"]
    dry_standard = 101_325 * _dry_mass(xco2_ppm) / (_Z(101_325, 15.0, 0.0) * c["ciddor.R"] * T15)
    wet_standard = 1333 * c["ciddor.Mv"] / (_Z(1333, 20.0, 1.0) * c["ciddor.R"] * T20)
    dry, wet = densities(t_C, p_Pa, rh_pct, xco2_ppm)
    return dry / dry_standard * n_axs + wet / wet_standard * n_ws


def index_edlen(nm: float, t_C: float, p_Pa: float, rh_pct: float) -> float:
    """n − 1 by the modified Edlén formula."""
    c, S = printed(), (1000 / nm) ** 2
    n_s = 1e-8 * (c["edlen.A"] + c["edlen.B"] / (c["edlen.b"] - S) + c["edlen.C"] / (c["edlen.c"] - S))
    X = (1 + 1e-8 * (c["edlen.E"] - c["edlen.F"] * t_C) * p_Pa) / (1 + c["edlen.G"] * t_C)
    wet = 1e-10 * c["edlen.T"] / (t_C + c["zero"]) * (c["edlen.w0"] - c["edlen.w1"] * S)
    return p_Pa * n_s * X / c["edlen.D"] - wet * _vapour(t_C, rh_pct)


def platinum(t_C: float) -> float:
    """R/R0 of a platinum thermometer, Callendar and van Dusen."""
    c = printed()
    third = c["platinum.C"] * (t_C - 100) * t_C**3 if t_C < 0 else 0.0
    return 1 + c["platinum.A"] * t_C + c["platinum.B"] * t_C**2 + third


def lag(times: Sequence[float], air: Sequence[float], tau: float, start: float) -> list[float]:
    """A first-order body under air that moves in straight lines, by the exact solution of each second."""
    body, T = [start], start
    for (t0, a0), (t1, a1) in zip(
        zip(times, air, strict=True), zip(times[1:], air[1:], strict=True), strict=False
    ):
        rate = (a1 - a0) / (t1 - t0)
        settled = a0 + rate * (t1 - t0 - tau)
        T = settled + (T - a0 + rate * tau) * math.exp(-(t1 - t0) / tau)
        body.append(T)
    return body
