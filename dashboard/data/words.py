"""How instants, ages and figures are written for a person: local time with its offset, ISO 8601, units."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from logger.errors import IntervalError
from logger.instants import NS, parse
from logger.local_time import offset_at, offset_text
from logger.model.figures import decimals, decimals_apart, usual_decimals
from logger.model.reader_units import FAHRENHEIT, text_in_fahrenheit

from .preferences import fahrenheit

# Older than three intervals of the judging grid, the service's word is not trusted any more.
STALE_S = 180.0
LAST_NS = 7_258_118_400 * NS  # 2200-01-01T00:00Z: what is counted in ns ends soon after
# The unit of the model as it is printed.
PRINTED_UNIT = {
    "degC": "°C",
    "degF": "°F",
    "%RH": "% RH",
    "1/m3": "1/m³",
    "g/m3": "g/m³",
    "kg/m3": "kg/m³",
    "um": "µm",
    "1e-6": "× 10⁻⁶",
    "1": "",
}
# Pressure is kept in Pa and read in hPa; everything else is shown in its canonical unit.
SHOWN_FACTOR = {"Pa": (0.01, "hPa")}


def moment(ns: int, zone: str) -> datetime:
    """An instant as an aware local time, to the microsecond."""
    return datetime.fromtimestamp(ns // NS, UTC).astimezone(ZoneInfo(zone))


def offset_s(ns: int, zone: str) -> int:
    """Seconds that local time is ahead of UTC at an instant."""
    return offset_at(ns, ZoneInfo(zone))


def local(ns: int, zone: str, *, seconds: bool = False) -> str:
    """Date and time of day, local, without the offset.

    >>> local(1_761_350_400 * NS, "Europe/Vienna")
    '2025-10-25 02:00'
    """
    return moment(ns, zone).strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")


def local_offset(ns: int, zone: str, *, seconds: bool = False) -> str:
    """Date, time of day and offset, local."""
    return f"{local(ns, zone, seconds=seconds)} {offset_text(offset_s(ns, zone))}"


def field_text(ns: int, zone: str) -> str:
    """A minute as it is written into a field: local, with the offset only where the minute comes twice."""
    plain_text = local(ns, zone).replace(" ", "T")
    try:
        if parse(plain_text, ZoneInfo(zone)) == ns - ns % (60 * NS):
            return plain_text.replace("T", " ")
    except IntervalError:
        pass
    return plain_text + offset_text(offset_s(ns, zone))


def clock(ns: int, now_ns: int, zone: str) -> str:
    """The time of day, with the date in front of it when that is another day than now's."""
    then, now = moment(ns, zone), moment(now_ns, zone)
    return then.strftime("%H:%M") if then.date() == now.date() else then.strftime("%Y-%m-%d %H:%M")


def interval_text(from_ns: int, to_ns: int | None, zone: str) -> str:
    """An interval; the second date only when it differs."""
    if to_ns is None:
        return f"{local(from_ns, zone)}, running"
    first, last = moment(from_ns, zone), moment(to_ns, zone)
    end = last.strftime("%H:%M") if first.date() == last.date() else last.strftime("%Y-%m-%d %H:%M")
    return f"{first.strftime('%Y-%m-%d %H:%M')}–{end}"


def age(seconds: float) -> str:
    """How long ago, in the largest unit that says it; infinite: what is spoken of never was.

    >>> age(41), age(200), age(9000), age(200_000), age(float("inf"))
    ('41 s', '3 min', '2.5 h', '2.3 days', 'none yet')
    """
    if seconds == float("inf"):
        return "none yet"
    if seconds < 100:
        return f"{max(seconds, 0):.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    if seconds < 129_600:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86400:.1f} days"


def unit(name: str) -> str:
    """A unit as it is printed."""
    if name in FAHRENHEIT and fahrenheit():
        return FAHRENHEIT[name]
    return PRINTED_UNIT.get(name, name)


def quantity_name(key: str) -> str:
    """A quantity as people call it."""
    return {"co2": "CO₂"}.get(key, key.replace("_", " "))


def to_read_unit(value: float, name: str) -> tuple[float, str]:
    """A value in the unit in which people read it, and that unit as printed."""
    if name == "degC" and fahrenheit():
        return value * 1.8 + 32.0, unit(name)
    return difference(value, name)


def read_scale(name: str) -> tuple[float, float]:
    """Factor and zero point with which values of a unit come into the unit in which people read them.

    >>> read_scale("degC"), read_scale("Pa")
    ((1.0, 0.0), (0.01, 0.0))
    """
    zero = to_read_unit(0.0, name)[0]
    return to_read_unit(1.0, name)[0] - zero, zero


def difference(value: float, name: str) -> tuple[float, str]:
    """A difference or an uncertainty in the unit in which people read it: no zero point enters it."""
    if name in FAHRENHEIT and fahrenheit():
        return value * 1.8, unit(name)
    factor, other = SHOWN_FACTOR.get(name, (1.0, name))
    return value * factor, unit(other)


def from_read_unit(value: float, name: str) -> float:
    """What a reader wrote in the unit in which they read, in the unit of the record."""
    if name not in FAHRENHEIT or not fahrenheit():
        return value
    return (value - 32.0) / 1.8 if name == "degC" else value / 1.8


def difference_unit(name: str) -> str:
    """The unit of a difference: that of a temperature is K."""
    return "K" if name == "degC" else name


def figure(value: float | None, name: str, U: float | None = None, limit: float | None = None) -> str:
    """A value with its expanded uncertainty and unit, rounded as in statements and records.

    U that is no number is not known and not printed; beside a limit there are decimals enough to compare.

    >>> figure(20.0243, "degC", 0.1), figure(96_541.0, "Pa"), figure(None, "K")
    ('20.02 ± 0.10 °C', '965.4 hPa', 'no value')
    >>> figure(20.902, "degC", 0.1, 21.0)
    '20.902 ± 0.100 °C'
    """
    if value is None:
        return "no value"
    shown_value, printed = to_read_unit(value, name)
    if U is None or math.isnan(U):
        return f"{shown_value:.{usual_decimals(name)}f} {printed}"
    shown_U, _ = difference(U, name)
    apart = 0 if limit is None else decimals_apart(shown_value, to_read_unit(limit, name)[0], shown_U)
    places = max(decimals(shown_U), apart)
    return f"{shown_value:.{places}f} ± {shown_U:.{places}f} {printed}"


def plain(value: float | None, name: str) -> str:
    """A limit or a statistic: as many decimals as it needs, at most two (four for the density of air)."""
    if value is None:
        return "–"
    shown_value, printed = to_read_unit(value, name)
    places = 4 if name == "kg/m3" else 2
    return f"{shown_value:.{places}f}".rstrip("0").rstrip(".") + f" {printed}"


def statistic(value: float | None, name: str) -> str:
    """A least, greatest or mean value, all with the same decimals so that a column can be compared.

    >>> statistic(20.4, "degC"), statistic(46.43, "%RH"), statistic(1.13, "kg/m3"), statistic(None, "K")
    ('20.40 °C', '46.4 % RH', '1.1300 kg/m³', '–')
    """
    if value is None:
        return "–"
    shown_value, printed = to_read_unit(value, name)
    return f"{shown_value:.{usual_decimals(name)}f} {printed}"


def point(value: float, name: str) -> str:
    """A calibration point: every figure that was stated.

    >>> point(20.013, "degC"), point(101_325.0, "Pa")
    ('20.013 °C', '1013.25 hPa')
    """
    shown_value, printed = to_read_unit(value, name)
    return f"{shown_value:.8g} {printed}".strip()


def signed_figure(value: float, name: str) -> str:
    """An error, with its sign and the unit of a difference.

    >>> signed_figure(0.013, "degC"), signed_figure(-0.3, "%RH")
    ('+0.013 K', '-0.3 % RH')
    """
    apart, printed = difference(value, difference_unit(name))
    return f"{apart:+.4g} {printed}".strip()


def plain_difference(value: float, name: str) -> str:
    """An uncertainty or another difference of values in that unit.

    >>> plain_difference(0.06, "degC"), plain_difference(1.2, "%RH")
    ('0.06 K', '1.2 % RH')
    """
    apart, printed = difference(value, difference_unit(name))
    return f"{apart:.4g} {printed}".strip()


def exceedance(value: float, name: str) -> str:
    """How far beyond a limit for how long; what is there never reads as nothing.

    >>> exceedance(0.451, "degC"), exceedance(0.001, "%RH")
    ('0.45 K·h', '< 0.01 % RH·h')
    """
    area, printed = difference(value, difference_unit(name))
    return f"{area:.2f} {printed}·h" if area >= 0.005 else f"< 0.01 {printed}·h"


def instant(text: str, zone: str, *, wanted_in: str) -> int:
    """Nanoseconds UTC of what a person wrote into a field; IntervalError names the field.

    >>> instant("9999-12-31", "Europe/Vienna", wanted_in="To")
    Traceback (most recent call last):
    logger.errors.IntervalError: To: expected a year from 1900 to 2199, found '9999-12-31'.
    """
    at_ns = parse(text, ZoneInfo(zone), wanted_in)
    if not 0 <= at_ns < LAST_NS:
        raise IntervalError(f"{wanted_in}: expected a year from 1900 to 2199, found {text!r}.")
    return at_ns


def parse_ns(text: str | int) -> int:
    """Nanoseconds of an RFC 3339 instant; numbers are taken as nanoseconds."""
    if isinstance(text, int):
        return text
    return int(datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp() * 1000) * (NS // 1000)


def sentence(text: str) -> str:
    """A text that begins with a capital and ends with a full stop."""
    stripped = text.strip()
    if not stripped:
        return ""
    return stripped[0].upper() + stripped[1:] + ("" if stripped[-1] in ".!?" else ".")


def in_read_units(text: str) -> str:
    """A sentence that the service stored, with its figures in the unit in which this person reads them."""
    return text_in_fahrenheit(text) if fahrenheit() else text
