"""What is expected of each probe of a zone within the hour, for `stillroom forecast`."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..core.judge.forecast import WINDOW_MIN, FitLine, Gain, crossing, line, stays_within
from ..core.judge.forecast_model import CLOCK_MIN, ForecastModel, leaving
from ..core.judge.outlook import crossing_by, resolution_of, skill_text
from ..instants import NS
from ..model import Rule
from ..series import Float
from .forecast_gains import ForecastGains
from .verdicts import Verdicts

MINUTE_NS = 60 * NS


@dataclass(frozen=True)
class ProbeForecast:
    """A channel under a limit. now, per_hour, limit: the limit's unit; minutes, earliest, latest: from now.

    None where nothing is said; `forecast` says in words by which method and how good, or why not.
    """

    probe: str
    forecast: str
    stays_within: bool
    now: float | None
    per_hour: float | None
    limit: float | None = None
    probability: float | None = None
    minutes: int | None = None
    earliest: int | None = None
    latest: int | None = None


def zone_forecast(verdicts: Verdicts, zone: str, now_ns: int) -> list[ProbeForecast]:
    """One forecast a channel and limit in force; UnknownName where the setup has no such zone."""
    setup = verdicts.setup
    setup.zone(zone)
    gains = ForecastGains(verdicts).today(zone, now_ns)
    forecasts = []
    for rule in setup.rules_of(zone):
        in_force = rule.from_ns <= now_ns and (rule.to_ns is None or rule.to_ns > now_ns)
        if rule.kind != "limit" or not in_force:
            continue
        for channel in (c for c in setup.channels_of(rule) if c in setup.channels):
            gain = gains.get((rule.key, channel))
            expected = _by_line(verdicts, channel, rule, gain, now_ns)
            if gain is not None and gain.speaks and gain.model is not None:
                expected = _by_model(expected, verdicts, rule, gain.model, now_ns)
            forecasts.append(expected)
    return forecasts


def _by_line(verdicts: Verdicts, channel: str, rule: Rule, gain: Gain | None, now_ns: int) -> ProbeForecast:
    """What the straight line of the last hour says; the crossing only where such lines were good enough."""
    taken_ns, reading = verdicts.corrected_readings(channel, now_ns - WINDOW_MIN * MINUTE_NS, now_ns)
    trend = line((taken_ns - now_ns) / MINUTE_NS, reading.value)
    skill = skill_text({} if gain is None else {(rule.key, channel): gain})
    if trend is None:
        return ProbeForecast(channel, skill, False, None, None)
    here = ProbeForecast(channel, skill, False, round(trend.level, 2), round(trend.slope * 60, 2))
    return _crossing(here, trend, rule) if gain is not None and gain.speaks else here


def _crossing(here: ProbeForecast, trend: FitLine, rule: Rule) -> ProbeForecast:
    here = replace(here, stays_within=stays_within(trend, rule.lower, rule.upper))
    ahead = crossing(trend, rule.lower, rule.upper)
    if ahead is None:
        return here
    latest = None if ahead.latest is None else round(ahead.latest)
    return replace(
        here, limit=ahead.limit, minutes=round(ahead.minutes), earliest=round(ahead.earliest), latest=latest
    )


def _by_model(
    here: ProbeForecast, verdicts: Verdicts, rule: Rule, model: ForecastModel, now_ns: int
) -> ProbeForecast:
    """What the regression says of a channel, in place of the line."""
    first, y = _minute_means(verdicts, here.probe, now_ns)
    resolution = resolution_of(verdicts.setup, here.probe)
    expected = leaving(model, y, first, (rule.lower, rule.upper), resolution)
    ahead, probability, within = crossing_by(model, expected, rule)
    here = replace(
        here,
        stays_within=within,
        probability=None if probability is None else round(probability, 2),
        limit=None,
        minutes=None,
        earliest=None,
        latest=None,
    )
    if ahead is None:
        return here
    return replace(
        here,
        limit=ahead.limit,
        minutes=round(ahead.minutes),
        earliest=round(ahead.earliest),
        latest=round(ahead.latest or ahead.minutes),
    )


def _minute_means(verdicts: Verdicts, channel: str, now_ns: int) -> tuple[int, Float]:
    """The first minute (number since 1970) and the mean of each minute of the last 3 h, NaN without any."""
    first = now_ns // MINUTE_NS - CLOCK_MIN
    taken_ns, reading = verdicts.corrected_readings(channel, first * MINUTE_NS, now_ns)
    minute = taken_ns // MINUTE_NS - first
    n = np.bincount(minute, minlength=1)
    sums = np.bincount(minute, weights=reading.value, minlength=1)
    return first, np.where(n > 0, sums / np.maximum(n, 1), np.nan)
