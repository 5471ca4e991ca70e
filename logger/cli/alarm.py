"""Commands on alarms: list, acknowledge, shelve, reset, take out of service, test the routes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..instants import parse, rfc3339
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import Session, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who
from .output import answer, table

if TYPE_CHECKING:
    from ..core.alarms.lifecycle import Alarm

alarm = command_group("Alarms: list, acknowledge, shelve, test the routes.")
Key = Annotated[
    str, typer.Argument(metavar="ALARM", help="Key of the alarm, as `stillroom alarm list` shows it.")
]
Reason = Annotated[
    str, typer.Option("--reason", metavar="TEXT", help="Reason, kept in the journal and in records.")
]


def add_to(app: typer.Typer) -> None:
    app.add_typer(alarm, name="alarm")


@alarm.command("list")
def list_alarms(
    *,
    include_normal: Annotated[
        bool, typer.Option("--all", help="Include alarms in their normal state.")
    ] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Alarms that are not in their normal state, with the action that each asks for.

    States are those of IEC 62682: unacknowledged, acknowledged, returned unacknowledged, ...
    """
    from ..acts.alarms import alarm_list

    with open_session(data, config) as session:
        alarms = [a for a in alarm_list(session.store) if include_normal or a.state != "normal"]
        rows = [_alarm_dict(session, a) for a in alarms]
        local = [r | {"since": session.wall(a.since_ns)} for r, a in zip(rows, alarms, strict=True)]
        silent = [(a.key, because) for a in alarms if (because := _silence_reason(a, session.wall))]
    heads = ("alarm", "state", "since", "priority", "rule", "action")
    first = f"{number_of(len(rows), 'alarm')}." if rows else "No active alarms."
    lines = [first, "", *table(heads, [[row[h] for h in heads] for row in local])] if rows else [first]
    lines += [f"  {key}: {because}" for key, because in silent]
    answer(rows, as_json, lines)


def _alarm_dict(session: Session, a: Alarm) -> dict[str, Any]:
    from ..acts.alarms import alarm_specs

    spec = next((s for s in alarm_specs(session.setup) if s.key == a.key), None)
    return {
        "alarm": a.key,
        "state": a.state.value,
        "beneath": a.condition.value,
        "since": _time_text(a.since_ns),
        "annunciated": _time_text(a.annunciated_ns),
        "cause": a.cause,
        "priority": "" if spec is None else spec.priority,
        "rule": "" if spec is None else spec.rule,
        "consequence": "" if spec is None else spec.consequence,
        "action": "" if spec is None else spec.action,
        "acknowledged_by": a.acknowledged_by,
        "comment": a.comment,
        "shelved_until": _time_text(a.shelved_until_ns),
        "because": _silence_reason(a, rfc3339),
    }


def _time_text(at_ns: int | None) -> str | None:
    return None if at_ns is None else rfc3339(at_ns)


def _silence_reason(a: Alarm, time_text: Callable[[int], str]) -> str:
    """Why an alarm is silent though it is evaluated; times as `time_text` writes them."""
    if a.removed_by:
        return f"out of service by {a.removed_by}"
    if a.suppressed_by:
        return f"suppressed by {a.suppressed_by}"
    if a.shelved_until_ns is not None:
        return f"shelved by {a.shelved_by} until {time_text(a.shelved_until_ns)}: {a.shelved_why}"
    return ""


@alarm.command("acknowledge")
def acknowledge(
    keys: Annotated[
        list[str],
        typer.Argument(
            metavar="ALARM...", help="Keys of alarms of one cause, as `stillroom alarm list` has them."
        ),
    ],
    *,
    comment: Annotated[
        str, typer.Option("--comment", metavar="TEXT", help="What you saw or did; kept in the journal.")
    ],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Acknowledge an alarm, with your name and a comment. It stays until the value is within limits again.

    \b
    Example:
      stillroom alarm acknowledge bay-temperature --who "Greta Holm" --comment "door closed"
    """
    from ..acts.alarms import acknowledge_many

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.ACKNOWLEDGE)
        after = acknowledge_many(session.store, keys, name, comment, session.now_ns)
        payload = [_alarm_dict(session, a) for a in after]
    lines = [f"Alarm {t['alarm']} is {t['state']}, acknowledged by {t['acknowledged_by']}." for t in payload]
    answer(payload[0] if len(payload) == 1 else payload, as_json, lines)


@alarm.command("shelve")
def shelve(
    key: Key,
    *,
    reason: Reason,
    hours: Annotated[
        float | None, typer.Option("--hours", metavar="H", min=0.0, help="Length of time, at most 31 days.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="TIME", help="Until then, instead of --hours.")
    ] = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Shelve an alarm for a time. It is evaluated all the while, and comes back by itself.

    \b
    Example:
      stillroom alarm shelve bay-humidity --hours 8 --reason "humidifier is being serviced"
    """
    from ..acts.alarms import shelve as shelve_alarm
    from ..errors import Refused

    if (hours is None) == (until is None):
        raise Refused("Give --hours H or --until TIME.")
    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.ACKNOWLEDGE)
        end = (
            parse(until, session.zone_info, "--until")
            if until
            else session.now_ns + round((hours or 0) * 3600e9)
        )
        after = shelve_alarm(session.store, key, name, reason, until_ns=end, now_ns=session.now_ns)
        payload = _alarm_dict(session, after)
        until_text = session.wall(after.shelved_until_ns)
    answer(payload, as_json, [f"Alarm {key} is {payload['state']} until {until_text}."])


def _add_act(name: str, verb: str) -> None:
    """Add the command of an act that takes a name and a reason."""

    def command(
        key: Key,
        *,
        reason: Reason,
        who: Who = "",
        data: Data = DEFAULT_DATA,
        config: Config = None,
        as_json: Json = False,
    ) -> None:
        from ..acts import alarms as alarm_acts

        with open_session(data, config) as session:
            name = authorised(session.store, who, Act.ACKNOWLEDGE)
            after = getattr(alarm_acts, verb)(session.store, key, name, reason, session.now_ns)
            payload = _alarm_dict(session, after)
        answer(payload, as_json, [f"Alarm {key} is {payload['state']}."])

    command.__doc__ = _DOCS[name]
    alarm.command(name)(command)


_DOCS = {
    "unshelve": """Unshelve an alarm early; notifies at once if still active.""",
    "reset": """End a latched alarm that was acknowledged and whose value is within limits again.""",
    "remove": """Take an alarm out of service, for work on what it watches. It is evaluated all the while.""",
    "return": """Put an alarm back in service; notifies at once if still active.""",
}
for _name, _verb in (
    ("unshelve", "unshelve"),
    ("reset", "reset"),
    ("remove", "take_out"),
    ("return", "put_back"),
):
    _add_act(_name, _verb)


@alarm.command("prove")
def prove(
    *,
    route: Annotated[
        list[str] | None,
        typer.Option("--route", metavar="ROUTE", help="Only this route or duty calendar; may be repeated."),
    ] = None,
    wait: Annotated[
        float,
        typer.Option("--wait", metavar="S", min=0.0, help="How long to wait for the service to send it."),
    ] = 60.0,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Send a test to everybody whom any alarm can reach at any time, through the running service.

    Shows receipts and names what was not proven. Exits with 10 where a recipient was not reached. Accepted by
    a server is not read by a person: ask them.
    """
    from dataclasses import asdict

    from ..acts.route_tests import prove as prove_routes
    from ..acts.route_tests import unproven_recipients

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.ACKNOWLEDGE)
        key, _ = prove_routes(session.store, session.config, name, session.now_ns, route or ())
        receipts = _wait_for_receipts(session, key, wait)
        rows, not_proven = [asdict(r) for r in receipts], unproven_recipients(session.config, receipts)
    reached = all(row["state"] == "sent" for row in rows)
    heads = ("route", "recipient", "state", "answer")
    summary = _summary(reached, tested_all=not route)
    if any(row["state"] == "waiting" for row in rows):
        summary += " What waits is sent by the service: is `stillroom run` running?"
    lines = [summary, "", *table(heads, [[r[h] for h in heads] for r in rows])]
    lines += ["", "Not proven:", *(f"  {text}" for text in not_proven)] if not_proven else []
    answer({"test": key, "receipts": rows, "not_proven": not_proven}, as_json, lines)
    if not reached:
        raise typer.Exit(10)


def _summary(reached: bool, tested_all: bool) -> str:
    if not reached:
        return "Some recipients were not reached."
    return (
        "All routes tested: every recipient reached."
        if tested_all
        else "Every recipient of these routes reached."
    )


def _wait_for_receipts(session: Session, key: str, wait_s: float) -> list[Any]:
    import time

    from ..acts.route_tests import receipts

    deadline = time.monotonic() + wait_s
    while True:
        rows = receipts(session.store, key)
        if time.monotonic() >= deadline or all(row.state != "waiting" for row in rows):
            return rows
        time.sleep(0.5)
