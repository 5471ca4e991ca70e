"""Figures beside a verdict as text: unit, decimals, U.

A value has the decimals of its U, which has two significant digits (JCGM 100, 7.2.6). U = 0.098 is written
0.10: rounding changes it by less than 5 %, as EA-4/02 asks (from memory), and a value has no third decimal
for it. Where rounding would hide on which side of the limit or of its guard band a value lies, it has more.
Pressure is stored in Pa and printed in hPa. A difference of temperatures is in K.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping

# Canonical unit -> name as printed, units of print in one canonical unit.
_PRINTED: Mapping[str, tuple[str, float]] = {
    "degC": ("°C", 1.0),
    "%RH": ("% RH", 1.0),
    "Pa": ("hPa", 0.01),
    "Pa/h": ("hPa/h", 0.01),
    "1/m3": ("1/m³", 1.0),
    "g/m3": ("g/m³", 1.0),
    "kg/m3": ("kg/m³", 1.0),
    "um": ("µm", 1.0),
}
# Decimals of a printed value whose U is not known; else one. The density of air changes in the third.
_USUAL_DECIMALS: Mapping[str, int] = {"degC": 2, "K": 2, "K/m": 2, "K/h": 2} | {
    "°F": 2, "°F/m": 2, "°F/h": 2, "g/m3": 2, "kg/m3": 4, "1e-6": 2,
}  # fmt: skip
MOST_ROUNDING = 0.05  # of U
MOST_DECIMALS = 6  # values are whole millionths of a unit


def to_printed_unit(value: float, unit: str) -> float:
    """A value or a difference, from its canonical unit to the unit in which it is printed."""
    return value * _PRINTED.get(unit, (unit, 1.0))[1]


def unit_name(unit: str) -> str:
    """A canonical unit as printed.

    >>> unit_name("degC"), unit_name("Pa"), unit_name("K/m")
    ('°C', 'hPa', 'K/m')
    """
    return _PRINTED.get(unit, (unit, 1.0))[0]


def channel_words(key: str) -> str:
    """A channel as people read it.

    >>> channel_words("P1.relative_humidity")
    'P1 relative humidity'
    """
    return key.replace(".", " ").replace("_", " ")


def with_channel_words(text: str, keys: Iterable[str]) -> str:
    """A text with its channels as people call them: the keys of the setup are for files.

    >>> with_channel_words("Keep P1.temperature: P1.temperature2", ["P1.temperature"])
    'Keep P1 temperature: P1.temperature2'
    """
    for key in keys:
        text = re.sub(rf"(?<![\w.-]){re.escape(key)}(?![\w.-]*\w)", channel_words(key), text)
    return text


def difference_unit(unit: str) -> str:
    """The canonical unit of a difference.

    >>> difference_unit("degC"), difference_unit("Pa")
    ('K', 'Pa')
    """
    return "K" if unit == "degC" else unit


def percent(share: float, decimals: int = 1) -> str:
    """A share of 1 as text, never rounded to all or nothing; the space is that of ISO 80000-1 (from memory).

    >>> percent(0.114), percent(0.114, 0), percent(0.99995), percent(0.00001)
    ('11.4 %', '11 %', '> 99.9 %', '< 0.1 %')
    """
    least = 10.0**-decimals
    if 100 - least / 2 <= 100 * share < 100:
        return f"> {100 - least:.{decimals}f} %"
    if 0 < 100 * share < least / 2:
        return f"< {least:.{decimals}f} %"
    return f"{100 * share:.{decimals}f} %"


def number_of(number: int, what: str, many: str = "") -> str:
    """A number with its noun, in the plural where there is not exactly one; `many`: a plural without s.

    >>> number_of(1, "alarm"), number_of(0, "alarm"), number_of(2, "entry", "entries")
    ('1 alarm', '0 alarms', '2 entries')
    """
    return f"{number} {what}" if number == 1 else f"{number} {many or what + 's'}"


def usual_decimals(unit: str) -> int:
    """Decimal places, as printed, of values of a canonical unit whose U is not known, such as statistics.

    >>> usual_decimals("degC"), usual_decimals("Pa"), usual_decimals("kg/m3")
    (2, 1, 4)
    """
    return _USUAL_DECIMALS.get(unit, 1)


def decimals(U: float | None) -> int:
    """Decimal places of a value whose uncertainty is written with two figures; two where it has none.

    >>> decimals(0.0979), decimals(0.093), decimals(1.63), decimals(40.7), decimals(None)
    (2, 3, 1, 0, 2)
    """
    if not U or not math.isfinite(U):
        return 2
    places = max(0, 1 - math.floor(math.log10(float(f"{U:.1e}"))))
    fewer = max(0, places - 1)
    one_up = round(U, fewer) >= 10 * 10.0**-fewer * (1 - 1e-9)  # such as 0.098 to 0.10: two figures still
    return fewer if one_up and abs(round(U, fewer) - U) <= MOST_ROUNDING * U else places


def decimals_apart(value: float | None, limit: float | None, U: float | None) -> int:
    """Decimals with which value, limit and U show the result: at least those of U.

    The value does not round to the limit unless it is the limit, and its distance from the limit does not
    round to U unless it is U: 20.902 under 21 with U 0.1 lies in the guard band, 20.90 would not.

    >>> decimals_apart(20.97, 20.5, 0.1), decimals_apart(20.902, 21.0, 0.1), decimals_apart(21.001, 21.0, 0.2)
    (2, 3, 3)
    """
    return next(
        (n for n in range(decimals(U), MOST_DECIMALS) if _readable(value, limit, U, n)), MOST_DECIMALS
    )


def _readable(value: float | None, limit: float | None, U: float | None, places: int) -> bool:
    if U and round(U, places) <= 0:
        return False
    if value is None or limit is None:
        return True
    rounded, limit_rounded = round(value, places), round(limit, places)
    distance, width = abs(value - limit), U or 0.0
    distance_rounded = round(abs(rounded - limit_rounded), places)
    on_its_side = distance_rounded > 0 or math.isclose(value, limit, abs_tol=1e-9)
    return on_its_side and (
        _order(distance, width, 1e-9) == _order(distance_rounded, round(width, places), 10.0**-places / 2)
    )


def _order(a: float, b: float, within: float) -> int:
    return 0 if abs(a - b) <= within else 1 if a > b else -1


def value_text(value: float, unit: str, U: float | None = None, limit: float | None = None) -> str:
    """A value with its expanded uncertainty and unit; with decimals enough to compare it with `limit`.

    >>> value_text(21.84, "degC", 0.0979), value_text(96_540.0, "Pa", 30.0), value_text(-0.5, "K/m")
    ('21.84 ± 0.10 °C', '965.40 ± 0.30 hPa', '−0.50 K/m')
    >>> value_text(20.902, "degC", 0.1, 21.0)
    '20.902 ± 0.100 °C'
    """
    v, u, T = to_printed_unit(value, unit), None if U is None else to_printed_unit(U, unit), limit
    places = max(decimals(u), 0 if T is None else decimals_apart(v, to_printed_unit(T, unit), u))
    uncertainty = "" if not u else f" ± {u:.{places}f}"
    return f"{v:.{places}f}{uncertainty} {unit_name(unit)}".rstrip().replace("-", "−")


def limit_text(limit: float, unit: str) -> str:
    """A limit with its unit, with as many decimals as it was set with.

    >>> limit_text(20.5, "degC"), limit_text(101_325.0, "Pa"), limit_text(-0.25, "K/m")
    ('20.5 °C', '1013.25 hPa', '−0.25 K/m')
    """
    return f"{round(to_printed_unit(limit, unit), 9):.10g} {unit_name(unit)}".rstrip().replace("-", "−")


def difference_text(difference: float, unit: str, U: float | None = None) -> str:
    """A difference of two values with its unit; never rounded to zero unless it is zero.

    >>> difference_text(1.34, "degC", 0.1), difference_text(0.0004, "degC", 0.1), difference_text(120.0, "Pa")
    ('1.34 K', '0.0004 K', '1.20 hPa')
    """
    name = difference_unit(unit)
    size = to_printed_unit(abs(difference), name)
    places = decimals(None if U is None else to_printed_unit(U, unit))
    while places < MOST_DECIMALS and size > 0 and round(size, places) == 0:
        places += 1
    return f"{size:.{places}f} {unit_name(name)}".rstrip()
