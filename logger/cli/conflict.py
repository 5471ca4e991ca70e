"""Values that contradict each other: where they stand, and the decision which one holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..instants import parse, rfc3339
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import Session, open_session
from .options import DEFAULT_DATA, AnyFrom, AnyTo, Config, Data, Json, Who
from .output import answer, table

if TYPE_CHECKING:
    from ..acts.conflicts import Disagreement

conflict = command_group("Conflicts: two values for the same time; neither counts until one is chosen.")

Channel = Annotated[str | None, typer.Option("--channel", metavar="NAME", help="Only this channel.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(conflict, name="conflict")


@conflict.command("list")
def list_conflicts(
    *,
    channel: Channel = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    include_decided: Annotated[bool, typer.Option("--all", help="Include decided conflicts.")] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Times at which an imported value contradicts another, with the source of each."""
    with open_session(data, config) as session:
        rows = _select(session, channel, start, end, include_decided)
        cells = [_row(session, d) for d in rows]
    first = f"{number_of(len(rows), 'conflict')}." if rows else "No conflicts."
    heads = ("channel", "at", "values", "from", "holds")
    lines = [first, "", *table(heads, cells)] if rows else [first]
    answer([_conflict_dict(d) for d in rows], as_json, lines)


@conflict.command("decide")
def decide_conflicts(
    *,
    keep: Annotated[
        str | None,
        typer.Option(
            "--keep", metavar="SOURCE", help="Keep the values of this source: a file, or as listed."
        ),
    ] = None,
    value: Annotated[float | None, typer.Option("--value", help="Keep this value.")] = None,
    none: Annotated[bool, typer.Option("--none", help="Keep none of the values.")] = False,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Reason, kept in the journal.")] = "",
    channel: Channel = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Decide which value counts, for every conflict of a channel and time; the others stay in the record.

    \b
    Example:
      stillroom conflict decide --keep bay-october.csv --why "the other file was read out by mistake"
    """
    from ..acts import conflicts

    if [keep is not None, value is not None, none].count(True) != 1:
        raise Refused("Give --keep SOURCE, --value V or --none. Nothing was decided.")
    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        rows = _select(session, channel, start, end, include_decided=False)
        chosen = conflicts.of_source(rows, keep) if keep is not None else [(d, value) for d in rows]
        count = conflicts.decide(session.store, chosen, name, why)
    left = len(rows) - count
    rest = f" {number_of(left, 'conflict')} of these have no single value from that source." if left else ""
    answer({"decided": count, "left": left}, as_json, [f"{number_of(count, 'conflict')} decided.{rest}"])


def _select(
    session: Session, channel: str | None, start: str | None, end: str | None, include_decided: bool
) -> list[Disagreement]:
    from ..acts.conflicts import disagreements

    first = parse(start, session.zone_info, "--from") if start else 0
    last = parse(end, session.zone_info, "--to") if end else 2**63 - 1
    return [
        d
        for d in disagreements(session.store, include_decided=include_decided)
        if channel in (None, d.channel) and first <= d.taken_ns < last
    ]


def _row(session: Session, d: Disagreement) -> Sequence[object]:
    holds = "" if not d.decided else "none" if d.chosen is None else f"{d.chosen:g}"
    values = " | ".join(f"{c.value:g}" for c in d.claims)
    sources = " | ".join(c.file or c.source for c in d.claims)
    return d.channel, session.wall(d.taken_ns), values, sources, holds


def _conflict_dict(d: Disagreement) -> dict[str, Any]:
    claims = [{"value": c.value, "source": c.source, "file": c.file} for c in d.claims]
    decision = {"decided": d.decided, "holds": d.chosen}
    return {"channel": d.channel, "at": rfc3339(d.taken_ns), "claims": claims, **decision}
