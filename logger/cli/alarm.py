"""Alarms: what waits for a person, and taking notice of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..instants import rfc3339
from .opening import Opened, opened
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .printing import answer, counted, table

if TYPE_CHECKING:
    from ..alarms import Alarm

alarm = typer.Typer(help="Alarms: what asks for a person.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(alarm, name="alarm", no_args_is_help=True)


@alarm.command("list")
def listed(
    *,
    every: Annotated[bool, typer.Option("--all", help="Those in their normal state too.")] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Alarms that are not in their normal state, with the action that each asks for.

    States are those of IEC 62682: unacknowledged, acknowledged, returned unacknowledged, ...
    """
    from ..actions import alarm_list

    with opened(data, config) as found:
        known = [a for a in alarm_list(found.store) if every or a.state != "normal"]
        rows = [_alarm_json(found, a) for a in known]
    heads = ("alarm", "state", "since", "priority", "rule", "action")
    first = f"{counted(len(rows), 'alarm')}." if rows else "No alarm asks for anything."
    answer(
        rows,
        as_json,
        [first, "", *table(heads, [[row[h] for h in heads] for row in rows])] if rows else [first],
    )


def _alarm_json(found: Opened, a: Alarm) -> dict[str, Any]:
    from ..actions import alarm_specs

    spec = next((s for s in alarm_specs(found.setup) if s.key == a.key), None)
    return {
        "alarm": a.key,
        "state": a.state.value,
        "since": None if a.since_ns is None else rfc3339(a.since_ns),
        "annunciated": None if a.annunciated_ns is None else rfc3339(a.annunciated_ns),
        "priority": "" if spec is None else spec.priority,
        "rule": "" if spec is None else spec.rule,
        "consequence": "" if spec is None else spec.consequence,
        "action": "" if spec is None else spec.action,
        "acknowledged_by": a.acknowledged_by,
        "comment": a.comment,
    }


@alarm.command("acknowledge")
def acknowledge(
    key: Annotated[
        str, typer.Argument(metavar="ALARM", help="Key of the alarm, as `stillroom alarm list` shows it.")
    ],
    *,
    comment: Annotated[
        str, typer.Option("--comment", metavar="TEXT", help="What you found or did; goes into the journal.")
    ],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Take notice of an alarm, with your name and a comment. It stays until the rule is met again.

    \b
    Example:
      stillroom alarm acknowledge bay-temperature --who "Greta Holm" --comment "door closed"
    """
    from ..actions import acknowledge as acknowledged

    with opened(data, config) as found:
        after = acknowledged(found.store, key, person(who), comment, found.now_ns)
        told = _alarm_json(found, after)
    answer(told, as_json, [f"Alarm {key} is {told['state']}, acknowledged by {told['acknowledged_by']}."])
