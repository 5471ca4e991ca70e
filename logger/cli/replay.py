"""A recorded time once more under other limits and delays, beside what is in force."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from .context import open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, Config, Data, Json
from .output import answer, table

if TYPE_CHECKING:
    from ..verdicts.replay import ReplayResult


def add_to(app: typer.Typer) -> None:
    app.command("replay", short_help="Alarms that other limits and delays would have raised.")(replay)


def replay(
    *,
    start: AnyFrom = None,
    end: AnyTo = None,
    limits: Annotated[
        Path | None,
        typer.Option("--limits", metavar="FILE", help="Another limits.toml, as if it had always held."),
    ] = None,
    delays: Annotated[
        list[str] | None,
        typer.Option(
            "--delays",
            metavar="[RULE=]ON[/OFF[/BAND]]",
            help="On-delay and off-delay in s, deadband; for one rule or for all. May be repeated.",
        ),
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Go through the record under other limits and delays: alarms, hours and inspections lost.

    Nothing is changed by it. Both sides are counted from the readings in the same way, as if nobody had
    shelved anything; the notices sent at the time are in the journal.

    \b
    Example:
      stillroom replay --from 2026-01-01 --to 2027-01-01 --limits wider.toml --delays 600
    """
    from ..verdicts.replay import delays_of, replay_alarms, setup_with_limits, whole_cells

    with open_session(data, config) as session:
        if limits is not None and not limits.is_file():
            raise Refused(f"There is no file {limits}.")
        text = None if limits is None else limits.read_text(encoding="utf-8-sig")
        other = session.setup if text is None else setup_with_limits(session.config, text)
        span = whole_cells(*whole_or_interval(session, start, end), session.setup)
        now = replay_alarms(session.store, session.setup, *span, {})
        then = replay_alarms(session.store, other, *span, delays_of(delays or (), other))
    answer({"in_force": now.to_dict(), "other": then.to_dict()}, as_json, _lines(now, then))


def _lines(now: ReplayResult, then: ReplayResult) -> list[str]:
    rules = list(dict.fromkeys([*now.alarms, *then.alarms]))
    alarms = [[rule, _count(now, rule), _count(then, rule)] for rule in rules]
    hours = [[f"hours {v}", round(now.hours[v], 1), round(then.hours[v], 1)] for v in now.hours]
    lost = [["inspections not stable", len(now.lost), len(then.lost)]]
    lost.append(["of inspections", now.inspections, then.inspections])
    heads = ("alarms of", "in force", "other")
    return [*table(heads, alarms), "", *table(("lost", "in force", "other"), [*hours, *lost])]


def _count(side: ReplayResult, rule: str) -> int | str:
    return len(side.alarms[rule]) if rule in side.alarms else "no rule"
