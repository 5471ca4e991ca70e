"""Verdicts of whole local weeks, hour by hour: what the best hours are read from."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from ..core.study.channel_record import DAY_S
from ..instants import NS
from ..model import HoursOfUse, Period
from ..series import Bool, Int
from ..verdicts.verdicts import Verdicts
from .records import local_offsets

UNKNOWN, STABLE, FAILED = 0, 1, 2
WEEK_S = 7 * DAY_S
SEASON_WEEKS, WEEKS_OF_YEAR = 6, 52
_TO_MONDAY = 3  # 1970-01-01 was a Thursday


@dataclass(frozen=True)
class VerdictWeeks:
    """Whole local weeks in a row, shape (weeks, 168): hours that were stable, hours whose verdict is known.

    first_week: number of the first since that of 1970-01-01; first_day: weekday on which each begins.
    """

    stable: Bool
    shown: Bool
    first_week: int
    first_day: int = 0

    def of_season(self, around: int = SEASON_WEEKS) -> VerdictWeeks:
        """Those weeks alone that lie so many weeks or less around the last one's time of the year."""
        apart = np.arange(len(self.stable))[::-1] % WEEKS_OF_YEAR
        apart = np.minimum(apart, WEEKS_OF_YEAR - apart)
        keep = apart <= around
        return VerdictWeeks(self.stable[keep], self.shown[keep], self.first_week, self.first_day)


def verdict_weeks(
    verdicts: Verdicts, zone: str, from_ns: int, to_ns: int, now_ns: int, *, ending: bool = False
) -> VerdictWeeks:
    """The verdicts of a zone over [from, to), in whole local weeks from Monday.

    ending: weeks that end with the last whole local day before `to` instead, on whatever day that is.

    An hour is stable when all of it was; one minute that is not stable, or in the guard band, decides
    against it; else one minute without evidence leaves it unknown.
    """
    start_s, n = -(-from_ns // (60 * NS)) * 60, (to_ns - from_ns) // (60 * NS)
    state = np.full(n, UNKNOWN, np.int8)
    for period in verdicts.periods(zone, from_ns, to_ns, now_ns):
        begin = max(0, -(-period.from_ns // NS) - start_s) // 60
        end = max(0, -(-period.to_ns // NS) - start_s) // 60
        state[begin:end] = _state(period)
    local_s = (
        start_s + np.arange(n) * 60 + local_offsets(start_s, n, 60, ZoneInfo(verdicts.setup.room.timezone))
    )
    first_day = int((local_s[-1] + 60) // DAY_S + _TO_MONDAY) % 7 if ending and n else 0
    return _by_week(state, local_s, first_day)


def _state(period: Period) -> int:
    if period.verdict == "stable":
        return STABLE
    return FAILED if period.verdict == "not stable" or period.reason == "guard band" else UNKNOWN


def _by_week(
    state: np.ndarray[tuple[int], np.dtype[np.int8]], local_s: Int, first_day: int = 0
) -> VerdictWeeks:
    if not len(local_s):
        nothing = np.zeros((0, 168), np.bool_)
        return VerdictWeeks(nothing, nothing, 0)
    since = _TO_MONDAY - first_day
    day = local_s // DAY_S + since
    week, hour = day // 7, (day % 7) * 24 + local_s % DAY_S // 3600
    # A week counts when no more than an hour lacks at either end.
    begun_s = (local_s[0] + since * DAY_S) % WEEK_S
    first = int(week[0]) + (0 if begun_s <= 3600 else 1)
    last = int((local_s[-1] + 3600 + since * DAY_S) // WEEK_S)
    count = max(0, last - first)
    inside = (week >= first) & (week < first + count)
    place = (week[inside] - first) * 168 + hour[inside]
    counts = [
        np.bincount(place[state[inside] == kind], minlength=count * 168).reshape(count, 168)
        for kind in (UNKNOWN, STABLE, FAILED)
    ]
    unknown, stable, failed = counts
    shown = (failed > 0) | ((unknown == 0) & (stable > 0))
    return VerdictWeeks((failed == 0) & (unknown == 0) & (stable > 0), shown, first, first_day)


def use_of_week(hours: HoursOfUse | None) -> Bool | None:
    """Whole hours of the week in which a zone is used for measuring, shape (168,); None: always."""
    if hours is None:
        return None
    minutes = np.zeros(7 * 1440, np.bool_)
    for day, begin, end in hours.weekly:
        minutes[(day * 1440 + np.arange(begin, end)) % len(minutes)] = True
    return np.asarray(minutes.reshape(168, 60).all(axis=1))
