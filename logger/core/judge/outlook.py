"""What is expected of a zone within the hour: for the sentence, never for a verdict.

A limit is followed on the means of each of its channels, any other rule on the value that it judged, over
the last hour. A forecast is printed only where forecasts of that very value were better than "it stays as it
is" on the room's own record, and only where its line proves what is said at k = 2. Otherwise nothing is said:
that no crossing is proven is no promise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ...instants import NS, rfc3339
from ...model import Conformity, Rule, Setup
from ...series import Float
from ...units import MICRO
from ..rules.finding import Finding
from .forecast import (
    HORIZON_MIN,
    LEAST_FORECASTS,
    WINDOW_MIN,
    Crossing,
    FitLine,
    Gain,
    crossing,
    gain,
    lines,
    stays_within,
)
from .judgement import Judgement

Key = tuple[str, str]  # key of a rule, and the channel whose mean is followed: empty for its own value
Gains = Mapping[Key, Gain]


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
    return {o.key: gain(o.value, o.rule.lower, o.rule.upper, judgement.grid.step_s) for o in followed}


def expected_crossing(setup: Setup, judgement: Judgement, measured_gains: Gains) -> dict[str, object] | None:
    """When the first limit is expected to be reached, by which rule and probe; else until when none is.

    known: what forecasts gained on the room's record. A value that is forecast without skill is not spoken
    of; that no limit is reached is said only where every value shows it. None: nothing may be said.
    """
    reached: list[tuple[Crossing, Rule, str]] = []
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
            next_crossing = crossing(fit, value.rule.lower, value.rule.upper)
            reached += [(next_crossing, value.rule, value.probe)] if next_crossing else []
            quiet &= stays_within(fit, value.rule.lower, value.rule.upper)
    now_ns = (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns
    if reached:
        return _crossing_dict(now_ns, *min(reached, key=lambda value: value[0].minutes))
    return {"until": _at(now_ns, HORIZON_MIN)} if quiet else None


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


def _crossing_dict(now_ns: int, crossed: Crossing, rule: Rule, probe: str) -> dict[str, object]:
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
    }


def _at(now_ns: int, minutes: float) -> str:
    return rfc3339(now_ns + round(minutes * 60) * NS)


def skill_text(known: Gains | None) -> str:
    """Whether the forecast of a zone speaks, and by what; for people who look after the room.

    >>> skill_text(None)
    'silent: not measured yet'
    >>> skill_text({}), skill_text({("bay.temperature", "P1.temperature"): Gain(600, 0.12, 0.10)})
    ('silent: less than a day of readings', 'silent: no better than “it stays as it is” (skill −0.20)')
    >>> better = {("bay.temperature", "P1.temperature"): Gain(600, 0.05, 0.10)}
    >>> skill_text(better), skill_text(better | {("bay.span", ""): Gain(600, 0.2, 0.1)})
    ('speaks: skill +0.50', 'speaks of 1 of 2 values: skill +0.50; of the others it is silent')
    """
    if known is None:
        return "silent: not measured yet"
    measured = [item for item in known.values() if item.forecasts >= LEAST_FORECASTS]
    if not measured:
        return "silent: less than a day of readings"
    speaking = [item.skill for item in measured if item.speaks]
    if not speaking:
        return f"silent: no better than “it stays as it is” ({_range([item.skill for item in measured])})"
    some = "" if len(speaking) == len(known) else f" of {len(speaking)} of {len(known)} values"
    return f"speaks{some}: {_range(speaking)}" + ("; of the others it is silent" if some else "")


def _range(skills: list[float]) -> str:
    ends = dict.fromkeys(f"{skill:+.2f}" for skill in (min(skills), max(skills)))
    return f"skill {' to '.join(ends)}".replace("-", "−")
