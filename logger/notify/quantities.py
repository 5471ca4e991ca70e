"""Values, differences and durations as a person reads them, in °C or °F."""

from __future__ import annotations

from ..instants import NS
from ..model import TemperatureUnit

# How a canonical unit is printed: name, factor to it, decimals.
_PRINTED: dict[str, tuple[str, float, int]] = {
    "degC": ("°C", 1.0, 2),
    "K": ("K", 1.0, 2),
    "K/h": ("K/h", 1.0, 2),
    "K/m": ("K/m", 1.0, 2),
    "%RH": ("%RH", 1.0, 1),
    "um": ("µm", 1.0, 2),
    "Pa": ("hPa", 0.01, 1),
    "s": ("min", 1 / 60, 0),
}


def quantity(value: float, unit: str, temperature: TemperatureUnit = "degC") -> str:
    """A value for a person, in the unit in which it is printed.

    >>> quantity(20.9, "degC"), quantity(96_540.0, "Pa"), quantity(480.0, "s")
    ('20.90 °C', '965.4 hPa', '8 min')
    >>> quantity(20.9, "degC", "degF"), quantity(0.5, "K/h", "degF")
    ('69.62 °F', '0.90 °F/h')
    """
    name, factor, decimals = _PRINTED.get(unit, (unit, 1.0, 3))
    value = value * factor
    if temperature == "degF" and unit in ("degC", "K", "K/h", "K/m"):
        value = value * 1.8 + (32.0 if unit == "degC" else 0.0)
        name = "°F" + name[1:].removeprefix("C")
    return f"{value:.{decimals}f} {name}".rstrip()


def difference(value: float, unit: str, temperature: TemperatureUnit = "degC") -> str:
    """A difference: of temperatures in K, or in °F for who reads °F.

    >>> difference(0.4, "degC"), difference(3.0, "%RH"), difference(0.4, "degC", "degF")
    ('0.40 K', '3.0 %RH', '0.72 °F')
    """
    return quantity(value, "K" if unit == "degC" else unit, temperature)


def duration(ns: int) -> str:
    """A duration for a person.

    >>> duration(95 * 60 * NS), duration(40 * NS), duration(120 * 60 * NS)
    ('1 h 35 min', '40 s', '2 h')
    """
    minutes = ns // (60 * NS)
    if minutes < 1:
        return f"{ns // NS} s"
    hours, rest = divmod(minutes, 60)
    return " ".join(f"{n} {unit}" for n, unit in ((hours, "h"), (rest, "min")) if n)
