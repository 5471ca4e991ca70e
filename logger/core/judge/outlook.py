"""What is expected of a zone within the hour: for the sentence, never for a verdict.

A limit is followed on the means of each of its channels, any other rule on the value that it judged. A
forecast is printed only where forecasts of that very value were better than "it stays as it is" on the room's
own record, by the method that was better there: a regression towards staying, with crossings as
probabilities, or the straight line of the last hour at k = 2. Otherwise nothing is said: that no crossing is
proven is no promise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ...instants import NS, rfc3339
from ...model import Conformity, Rule, Setup
from ...model.plain_forms import ExpectedBand, ExpectedCrossing
from ...series import Float
from ...units import MICRO, difference_to_canonical
from ..rules.finding import Finding
from .forecast import (
    HORIZON_MIN,
    LEAST_FORECASTS,
    WINDOW_MIN,
    Crossing,
    FitLine,
    Gain,
    better_gain,
    crossing,
    in_minutes,
    lines,
    stays_within,
)
from .forecast_model import HORIZONS, ForecastModel, Leaving, leaving
from .judgement import Judgement

Key = tuple[str, str]  # key of a rule, and the channel whose mean is followed: empty for its own value
Gains = Mapping[Key, Gain]
Leavings = Mapping[Key, Leaving | None]
LIKELY, UNLIKELY = 0.5, 0.025  # within the hour: what is told as a crossing, and as none


@dataclass(frozen=True)
class FollowedValue:
    """A value that a rule in force looks at, in each cell of a judgement, shape (n,); the rule's unit."""

    rule: Rule
    channel: str
    probe: str
    value: Float

    @property
    def key(self) -> Key:
        """By which its gain is known."""
        return self.rule.key, self.channel


def gains(setup: Setup, judgement: Judgement) -> Gains:
    """What forecasts would have gained over a judgement, for each value that is followed at its end."""
    followed = [value for f in judgement.findings for value in _followed_values(setup, judgement, f)]
    grid = judgement.grid.first, judgement.grid.step_s
    return {
        o.key: better_gain(o.value, (o.rule.lower, o.rule.upper), grid, resolution_of(setup, o.channel))
        for o in followed
    }


def resolution_of(setup: Setup, channel: str) -> float:
    """Of a channel, in its canonical unit; 0 for a value that is computed from several."""
    if channel not in setup.channels:
        return 0.0
    c = setup.channels[channel]
    return float(difference_to_canonical(c.resolution, c.unit, c.quantity))


def leavings(setup: Setup, judgement: Judgement, measured_gains: Gains) -> Leavings:
    """What the model expects of each value that it forecasts better than staying, from the last cell on."""
    expected: dict[Key, Leaving | None] = {}
    for value in (v for finding in judgement.findings for v in _followed_values(setup, judgement, finding)):
        gain_ = measured_gains.get(value.key)
        if gain_ is None or gain_.model is None or not gain_.speaks:
            continue
        minutes, first = in_minutes(value.value, judgement.grid.first, judgement.grid.step_s)
        bounds = value.rule.lower, value.rule.upper
        expected[value.key] = leaving(
            gain_.model, minutes, first, bounds, resolution_of(setup, value.channel)
        )
    return expected


def expected_bands(setup: Setup, expected: Leavings) -> list[ExpectedBand]:
    """Of each quantity the band of the channel that is likeliest to leave its limits; none without skill."""
    by_quantity: dict[str, tuple[float, ExpectedBand]] = {}
    for (_, channel), leaves in expected.items():
        if leaves is None or channel not in setup.channels:
            continue
        low, high = ([round(float(x), 4) for x in edge] for edge in leaves.fan)
        band: ExpectedBand = {
            "channel": channel,
            "value": round(leaves.now, 4),
            "minutes": list(HORIZONS),
            "low": low,
            "high": high,
        }
        likeliest = by_quantity.get(name := setup.channels[channel].quantity)
        if likeliest is None or leaves.probability > likeliest[0]:
            by_quantity[name] = leaves.probability, band
    return [band for _, band in by_quantity.values()]


def expected_crossing(
    setup: Setup, judgement: Judgement, measured_gains: Gains, expected: Leavings | None = None
) -> ExpectedCrossing | None:
    """When the first limit is expected to be reached, by which rule and probe; else until when none is.

    measured_gains: what forecasts gained on the room's record; expected: `leavings` of them, where they are
    at hand. A value that is forecast without skill is not spoken of; that no limit is reached is said only
    where every value shows it. None: nothing may be said.
    """
    expected = leavings(setup, judgement, measured_gains) if expected is None else expected
    reached: list[tuple[Crossing, Rule, str, float | None]] = []
    quiet = True
    for finding in judgement.findings:
        if finding.conformity[-1] == Conformity.NOT_APPLICABLE:
            continue
        followed = list(_followed_values(setup, judgement, finding))
        if finding.conformity[-1] in (Conformity.NONCONFORMING, Conformity.INDETERMINATE) or not followed:
            return None
        for value, fit in _lines(judgement, followed):
            if fit is not None and _outside(fit, value.rule):
                return None
            if fit is None or value.key not in measured_gains or not measured_gains[value.key].speaks:
                quiet = False
                continue
            model = measured_gains[value.key].model
            if model is not None:
                next_crossing, probability, stays = crossing_by(model, expected[value.key], value.rule)
            else:
                next_crossing, probability = crossing(fit, value.rule.lower, value.rule.upper), None
                stays = stays_within(fit, value.rule.lower, value.rule.upper)
            reached += [(next_crossing, value.rule, value.probe, probability)] if next_crossing else []
            quiet &= stays
    now_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns
    if reached:
        return _crossing_dict(now_ns, *min(reached, key=lambda value: value[0].minutes))
    return {"until": _at(now_ns, HORIZON_MIN)} if quiet else None


def crossing_by(
    model: ForecastModel, expected: Leaving | None, rule: Rule
) -> tuple[Crossing | None, float | None, bool]:
    """What of an expectation may be said: a crossing, its probability, and whether none is likely.

    A crossing is told only while half of such promises or more came true on this room's own record.
    """
    if expected is None:
        return None, None, False
    limit = rule.upper if expected.upper else rule.lower
    proven = model.came_true is None or model.came_true >= LIKELY
    if expected.probability < LIKELY or not proven or expected.minutes is None or limit is None:
        return None, expected.probability, expected.probability <= UNLIKELY
    earliest, middle, latest = expected.minutes
    return Crossing(limit, middle, earliest, latest), expected.probability, False


def _outside(fit: FitLine, rule: Rule) -> bool:
    """Whether the line is beyond a limit already, before the judged minute is."""
    low, high = rule.lower, rule.upper
    return (low is not None and fit.level < low) or (high is not None and fit.level > high)


def _followed_values(setup: Setup, judgement: Judgement, finding: Finding) -> Iterator[FollowedValue]:
    """The values that a rule looks at where it is in force at the end."""
    rule = finding.rule
    if finding.conformity[-1] == Conformity.NOT_APPLICABLE:
        return
    if rule.kind != "limit":
        label = finding.labels[finding.label[-1]] if finding.label[-1] >= 0 else ""
        yield FollowedValue(rule, "", label, finding.value / MICRO)
        return
    for key in setup.channels_of(rule):
        cells = judgement.cells.get(key)
        if cells is not None and len(cells.placed) and cells.placed[-1]:
            yield FollowedValue(rule, key, key.partition(".")[0], cells.mean / MICRO)


def _lines(judgement: Judgement, followed: list[FollowedValue]) -> list[tuple[FollowedValue, FitLine | None]]:
    """The line through the last hour of each value."""
    step_s = judgement.grid.step_s
    last = np.stack([value.value[-WINDOW_MIN * 60 // step_s :] for value in followed])
    n = last.shape[1]
    return list(zip(followed, lines((np.arange(n) - n + 1) * step_s / 60, last), strict=True))


def _crossing_dict(
    now_ns: int, crossed: Crossing, rule: Rule, probe: str, probability: float | None
) -> ExpectedCrossing:
    latest = None if crossed.latest is None else _at(now_ns, crossed.latest)
    return {
        "until": _at(now_ns, crossed.minutes),
        "earliest": _at(now_ns, crossed.earliest),
        "latest": latest,
        "rule": rule.key,
        "name": rule.name,
        "probe": probe,
        "limit": crossed.limit,
        "unit": rule.unit,
        "probability": None if probability is None else round(probability, 2),
    }


def _at(now_ns: int, minutes: float) -> str:
    return rfc3339(now_ns + round(minutes * 60) * NS)


def skill_text(gains: Gains | None) -> str:
    """Whether the forecast of a zone is shown, and why; for people who look after the room.

    >>> skill_text(None)
    'not shown: not measured yet'
    >>> skill_text({}), skill_text({("bay.temperature", "P1.temperature"): Gain(600, 0.12, 0.10)})
    ('not shown: less than a day of readings', 'not shown: 20 % more error than “it stays as it is”')
    >>> better = {("bay.temperature", "P1.temperature"): Gain(600, 0.05, 0.10)}
    >>> skill_text(better)
    'shown: 50 % less error than “it stays as it is”; by a straight line, without a band on page Now'
    >>> skill_text(better | {("bay.span", ""): Gain(600, 0.2, 0.1)}).partition(";")[0]
    'shown for 1 of 2 values: 50 % less error than “it stays as it is”'
    """
    if gains is None:
        return "not shown: not measured yet"
    measured = [item for item in gains.values() if item.forecasts >= LEAST_FORECASTS]
    if not measured:
        return "not shown: less than a day of readings"
    speaking = [item.skill for item in measured if item.speaks]
    if not speaking:
        best = max(item.skill for item in measured)
        return f"not shown: {'hardly better than “it stays as it is”' if best > 0 else _compared(best)}"
    some = "" if len(speaking) == len(gains) else f" for {len(speaking)} of {len(gains)} values"
    banded = any(item.speaks and item.model is not None for item in measured)
    bare = "" if banded else "; by a straight line, without a band on page Now"
    return f"shown{some}: {_compared(*speaking)}{bare}"


def _compared(*skills: float) -> str:
    """The error beside that of staying: skill 0.5 is half of it, −0.2 a fifth more."""
    ends = dict.fromkeys(f"{abs(100 * skill):.0f}" for skill in (min(skills), max(skills)))
    return f"{' to '.join(ends)} % {'less' if max(skills) > 0 else 'more'} error than “it stays as it is”"
