"""How lenient the settings of evidence may be: beyond these, missing readings would count as stability.

The configuration refuses values beyond them, and the model clamps them, so that no setup from another
source is judged more leniently. Common practice, no source; the defaults beside each are stricter.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

DAY_NS = 86_400 * 10**9

LONGEST_INTERVAL_S = 3600.0  # between two readings, as declared
LONGEST_AGE_S = 7200.0  # of a reading that still covers a cell, whatever the interval
SHORT_AGE_S = 300.0  # may always be declared, however short the interval
INTERVALS_OF_AGE = 3  # the default age of a reading, in sampling intervals
LEAST_COMPLETENESS = 0.8
WIDEST_CLOCK_S = 300.0
LONGEST_USE_YEARS = 10  # of a calibration
DEFAULT_GAP_S = 3600

# The lowest and highest value that a quantity can have at all, in its canonical unit. Humidity may read a
# little beyond 0 and 100 %RH, as hygrometers near saturation do.
PHYSICAL = {
    "temperature": (-273.15, float("inf")),
    "dew_point": (-273.15, float("inf")),
    "relative_humidity": (-5.0, 105.0),
    "pressure": (0.0, float("inf")),
}


def longest_age_s(interval_s: float) -> float:
    """The greatest age in s at which a reading may still cover a cell, for a sampling interval in s.

    >>> longest_age_s(60.0), longest_age_s(900.0), longest_age_s(3600.0)
    (300.0, 2700.0, 7200.0)
    """
    return min(max(INTERVALS_OF_AGE * interval_s, SHORT_AGE_S), LONGEST_AGE_S)


def default_age_s(interval_s: float) -> float:
    """The age in s at which a reading no longer covers a cell, where none is declared.

    >>> default_age_s(60.0), default_age_s(3600.0)
    (180.0, 7200.0)
    """
    return min(INTERVALS_OF_AGE * interval_s, LONGEST_AGE_S)


def longest_gap_s(settling_s: float, taus_s: Iterable[float]) -> float | None:
    """How long evidence may be missing before machine and parts are unknown, in s; None: they do not settle.

    taus_s: time constants of declared bodies, which take the place of the settling time.

    >>> longest_gap_s(14_400, []), longest_gap_s(14_400, [7200.0, 1800.0]), longest_gap_s(0, [])
    (14400, 1800.0, None)
    """
    return min(taus_s, default=settling_s or None)


def latest_due(calibrated_on: date) -> date:
    """The last day on which a calibration may be due.

    >>> latest_due(date(2024, 2, 29)).isoformat()
    '2034-02-28'
    """
    year = calibrated_on.year + LONGEST_USE_YEARS
    try:
        return calibrated_on.replace(year=year)
    except ValueError:  # 29 February
        return calibrated_on.replace(year=year, day=28)


def latest_due_ns(calibrated_on: str, valid_from_ns: int) -> int:
    """The end of that day, of a calibration on an ISO 8601 day, in the time zone where it ends last.

    calibrated_on: "" where it is not stated; then it was no later than the certificate was put in use.
    """
    if not calibrated_on:
        return valid_from_ns + LONGEST_USE_YEARS * 366 * DAY_NS
    days = (latest_due(date.fromisoformat(calibrated_on)) - date(1970, 1, 1)).days
    return (days + 1) * DAY_NS + DAY_NS // 2


def clamp_field(thing: object, name: str, *, least: float | None = None, most: float | None = None) -> None:
    """Clamp one field of a frozen dataclass, in place, to [least, most]; None is left."""
    value = getattr(thing, name)
    if value is None:
        return
    if most is not None and value > most:
        object.__setattr__(thing, name, most)
    if least is not None and value < least:
        object.__setattr__(thing, name, least)
