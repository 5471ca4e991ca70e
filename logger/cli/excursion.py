"""Excursions: what happened, what was decided, what causes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from ..instants import NS, parse, rfc3339, wall
from ..model import Excursion
from ..model.roles import Act
from .authority import authorised
from .context import open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, AnyZone, Config, Data, Json, Who, Zone
from .output import answer, duration, figures, number_of, table

if TYPE_CHECKING:
    from ..store import Store

excursion = typer.Typer(help="Excursions: runs of a rule not met, and what was decided.")

At = Annotated[str, typer.Option("--at", metavar="TIME", help="A time in the excursion, such as its start.")]
Rule = Annotated[str, typer.Option("--rule", metavar="RULE", help="Its rule, where several were not met.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(excursion, name="excursion", no_args_is_help=True)


@excursion.command("list")
def excursions(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    open_only: Annotated[
        bool, typer.Option("--open", help="Only those that still ask for a decision.")
    ] = False,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Runs of a rule that was not met: when, worst value, how far beyond for how long, proven or not.

    Times are those of the room, with their offset from UTC; with --json they are UTC.

    \b
    Example:
      stillroom excursion list --from 2026-10-19 --to 2026-10-20
    """
    from ..acts.dispositions import book

    with open_session(data, config) as session:
        if zone is not None:
            session.setup.zone(zone)
        from_ns, to_ns = whole_or_interval(session, start, end)
        rows = session.verdicts().excursions(zone, from_ns, to_ns, session.now_ns)
        decided = book(session.store)
        gone = _disposed(session.store, from_ns, to_ns)
    states = [_state(e, decided) for e in rows]
    both = [(e, s) for e, s in zip(rows, states, strict=True) if not open_only or s == "open"]
    heads = ("zone", "rule", "from", "for", "worst", "limit", "U", "unit", "probes", "proven", "decision")
    open_count = sum(s == "open" for s in states)
    first = f"{number_of(len(both), 'excursion')}, {open_count} of them to be decided on."
    lines = [first, *gone, "", *table(heads, [_excursion_row(e, s, session.zone_info) for e, s in both])]
    if as_json:
        for line in gone:
            typer.echo(line, err=True)
    answer([e.to_dict() | {"disposition": s} for e, s in both], as_json, lines)


def _disposed(store: Store, from_ns: int, to_ns: int) -> list[str]:
    """A line for each time whose readings were disposed of: excursions in it cannot be judged any more."""
    standing = {one.number for one in store.archive.seals(disposed=False)}
    gone = {
        (one.from_ns, one.to_ns)
        for one in store.archive.seals()
        if one.number not in standing and one.from_ns < to_ns and one.to_ns > from_ns
    }
    return [
        f"Readings from {rfc3339(begin)} to {rfc3339(end)} were disposed of: excursions in that time are "
        "listed as far as they were judged before."
        for begin, end in sorted(gone)
    ]


def _state(e: Excursion, decided: Any) -> str:
    disposition = decided.excursion(e)
    if disposition is not None and disposition.closed:
        return "closed"
    return "open" if e.asks_disposition else "not asked: outside hours of use"


def _excursion_row(e: Excursion, state: str, zone: ZoneInfo) -> tuple[Any, ...]:
    lasted, proven = duration((e.to_ns - e.from_ns) / NS), "yes" if e.proven else "within U"
    numbers = figures(e.worst, e.limit, e.U)
    return e.zone, e.rule, wall(e.from_ns, zone), lasted, *numbers, e.unit, " ".join(e.probes), proven, state


@excursion.command("note")
def note(
    *,
    zone: Zone,
    at: At,
    rule: Rule = "",
    cause: Annotated[str, typer.Option("--cause", metavar="CAUSE", help="From the list of causes.")] = "",
    detail: Annotated[str, typer.Option("--detail", metavar="TEXT", help="What happened.")] = "",
    immediate: Annotated[
        str, typer.Option("--immediate", metavar="TEXT", help="What was done at once.")
    ] = "",
    impact: Annotated[str, typer.Option("--impact", metavar="TEXT", help="What it means for results.")] = "",
    decision: Annotated[str, typer.Option("--decision", metavar="TEXT", help="What was decided.")] = "",
    customer: Annotated[
        str,
        typer.Option("--customer", metavar="TEXT", help="What the customer must be told, or why nothing."),
    ] = "",
    close: Annotated[bool, typer.Option("--close", help="Close it: everything must be said.")] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Write down what is known of an excursion; what was said before stays unless it is said anew.

    It closes only with all of it, and when every inspection that it touches has a decision.

    \b
    Example:
      stillroom excursion note --zone machine-bay --at 2026-10-19T05:30 --cause "air handling" \\
        --detail "damper stuck" --immediate "no measuring until 12:00"
    """
    from dataclasses import asdict

    from ..acts.dispositions import Findings, book, note_excursion
    from ..inspections.impact import by_excursion, excursion_at, undecided

    findings = Findings(cause, detail, immediate, impact, decision, customer)
    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.DECIDE)
        verdicts = session.verdicts()
        e = excursion_at(verdicts, zone, parse(at, session.zone_info, "--at"), session.now_ns, rule)
        before = book(session.store).excursion(e)
        earlier = asdict(before.findings) if before else {}
        merged = Findings(**(earlier | {k: v for k, v in asdict(findings).items() if v.strip()}))
        open_inspections = undecided(by_excursion(verdicts, e, session.now_ns)) if close else []
        note_excursion(session.store, e, merged, name, close=close, undecided=open_inspections)
    typer.echo("Closed." if close else f"Noted. To close it: {'; '.join(merged.missing) or 'add --close'}.")


@excursion.command("causes")
def causes(
    *,
    zone: AnyZone = None,
    start: AnyFrom = None,
    end: AnyTo = None,
    action_at: Annotated[
        str | None,
        typer.Option("--action-at", metavar="TIME", help="A corrective action: 30 days before and after it."),
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Causes by hours, those that came back three times in 30 days, and what an action changed.

    \b
    Example:
      stillroom excursion causes --action-at 2026-10-20
    """
    from dataclasses import asdict

    from ..acts.dispositions import REPEATS, before_after, book, pareto

    with open_session(data, config) as session:
        from_ns, to_ns = whole_or_interval(session, start, end)
        verdicts = session.verdicts()
        rows = verdicts.excursions(zone, from_ns, to_ns, session.now_ns)
        decided = book(session.store)
        shares = pareto(rows, decided)
        repeats = [e for e in rows if decided.repetitions(e) >= REPEATS]
        effect = None
        if action_at:
            at_ns = parse(action_at, session.zone_info, "--action-at")
            all_excursions = verdicts.excursions(zone, 0, session.now_ns, session.now_ns, refresh=False)
            effect = before_after(all_excursions, at_ns, session.now_ns)
    payload = {
        "causes": [asdict(c) for c in shares],
        "repeats": [e.to_dict() for e in repeats],
        "effect": None if effect is None else asdict(effect),
    }
    lines = table(
        ("cause", "excursions", "hours"), [(c.cause, c.excursions, f"{c.hours:.1f}") for c in shares]
    )
    lines += [f"  again: {e.zone}, {e.rule}, {rfc3339(e.from_ns)}" for e in repeats]
    if effect is not None:
        lines.append(
            f"  {effect.days:.0f} days each side: excursions {effect.before} → {effect.after}, hours "
            f"{effect.before_h:.1f} → {effect.after_h:.1f}"
        )
    answer(payload, as_json, lines)
