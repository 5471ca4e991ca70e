"""Which value decides on a zone now, and how old it is: for the screens that have room for one number."""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger.instants import NS
from logger.model import Conformity, RuleState

from .queries import Queries
from .statements import Statement

READ_AT_THE_DOOR = {"degC": "temperature", "%RH": "relative_humidity"}  # units of the numbers that are shown


@dataclass(frozen=True)
class Deciding:
    """A rule with the value that decides on it. age_s: of the oldest reading; None: cannot be said.

    `silent` names the probe that should have decided and whose value is too old to use; `state` then has the
    next probe's value, or none.
    """

    state: RuleState
    age_s: float | None
    silent: str = ""
    silent_s: float | None = None


def deciding(q: Queries, s: Statement) -> Deciding | None:
    """What decides on a zone: a rule that is out of limits before the others, temperature before humidity."""
    states = [state for state in s.rules if state.unit in READ_AT_THE_DOOR]
    if not states:
        return None
    state = min(states, key=lambda r: (r.conformity is not Conformity.NONCONFORMING, r.unit != "degC"))
    age_s, stale = age_of(q, state)
    if state.value is not None and not stale:
        return Deciding(state, age_s)
    return _next_valid(q, state, age_s, state.probe if stale else "")


def age_of(q: Queries, state: RuleState) -> tuple[float | None, bool]:
    """Age of the oldest of the readings that a value rests on, and whether one of them is too old to use.

    None where it cannot be said, as for a derived quantity.
    """
    newest, now = q.source.newest(), q.now_ns()
    keys = [f"{probe}.{READ_AT_THE_DOOR[state.unit]}" for probe in state.probe.split("–")]
    ages = {
        key: (now - newest[key].taken_ns) / NS for key in keys if key in newest and key in q.setup.channels
    }
    if len(ages) < len(keys):
        return None, False
    return max(ages.values()), any(s > q.setup.channels[key].stale_after_s for key, s in ages.items())


def _next_valid(q: Queries, state: RuleState, age_s: float | None, silent: str) -> Deciding:
    """The value nearest to a limit among the other probes of the rule that may decide, if there is one."""
    rule = next((r for r in q.setup.rules if r.key == state.rule), None)
    channels = q.setup.channels_of(rule) if rule else ()
    overdue = {entry.channel for entry in q.overdue()}
    others = []
    for channel in channels:
        value, U, seconds = q.newest_corrected(channel)
        if (
            value is not None
            and channel not in overdue
            and seconds <= q.setup.channels[channel].stale_after_s
        ):
            probe = q.setup.channels[channel].probe
            others.append((_room(state, value), replace(state, value=value, U=U, probe=probe), seconds))
    if not others:
        return Deciding(replace(state, value=None), age_s, silent, age_s)
    _, other, seconds = min(others, key=lambda entry: entry[0])
    return Deciding(other, seconds, silent, age_s)


def _room(state: RuleState, value: float) -> float:
    """How far a value is inside the limits of a rule; negative outside."""
    above = float("inf") if state.upper is None else state.upper - value
    return min(above, float("inf") if state.lower is None else value - state.lower)


def near_limit(state: RuleState) -> float | None:
    """The limit that a value is nearer to; the upper one where there is no value."""
    if state.upper is None or state.lower is None:
        return state.upper if state.lower is None else state.lower
    middle = (state.lower + state.upper) / 2
    return state.upper if state.value is None or state.value >= middle else state.lower
