"""What the record says over time: `verdicts`."""

from __future__ import annotations

from typing import Any

import typer

from ..core.validity.hours_of_use import overlap_ns, spans
from ..instants import NS, rfc3339, wall
from ..model import Period
from ..model.figures import percent
from .context import Session, interval, open_session
from .options import DEFAULT_DATA, Config, Data, From, Json, To, Zone
from .output import answer, duration, table


def add_to(app: typer.Typer) -> None:
    app.command("verdicts", short_help="Verdict and reason over time.")(verdicts)


def verdicts(
    *,
    zone: Zone,
    start: From,
    end: To,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Verdict and reason over time: stable, not stable or not shown, without a hole.

    Times are those of the room, with their offset from UTC; with --json they are UTC.

    \b
    Example:
      stillroom verdicts --zone machine-bay --from 2026-10-19 --to 2026-10-20
    """
    with open_session(data, config) as session:
        from_ns, to_ns = interval(session, zone, start, end)
        judged = session.verdicts().periods(zone, from_ns, to_ns, session.now_ns)
        periods = _cover_interval(judged, zone, from_ns, to_ns)
        answer([_period_dict(p) for p in periods], as_json, _period_lines(session, periods))


def _cover_interval(judged: list[Period], zone: str, from_ns: int, to_ns: int) -> list[Period]:
    """Periods that cover the whole interval: *not shown* before the record and in the unfinished minute."""
    begin, end = (judged[0].from_ns, judged[-1].to_ns) if judged else (from_ns, from_ns)
    before = Period(zone, from_ns, begin, "not shown", "indeterminate")
    after = Period(zone, end, to_ns, "not shown", "indeterminate", provisional=True)
    return [p for p in (before, *judged, after) if p.from_ns < p.to_ns]


def _period_dict(p: Period) -> dict[str, Any]:
    return {
        "zone": p.zone,
        "from": rfc3339(p.from_ns),
        "to": rfc3339(p.to_ns),
        "verdict": p.verdict,
        "reason": p.reason,
        "rule": p.rule,
        "probe": p.probe,
        "provisional": p.provisional,
    }


def _period_lines(session: Session, periods: list[Period]) -> list[str]:
    total = sum(p.to_ns - p.from_ns for p in periods)
    stable = sum(p.to_ns - p.from_ns for p in periods if p.verdict == "stable")
    name = session.setup.zone(periods[0].zone).name
    head = (
        f"{name} was stable for {duration(stable / NS)} of {duration(total / NS)} ({percent(stable / total)})"
    )
    head += _share_in_use(session, periods) + "."
    rows = [_period_row(session, p) for p in periods]
    return [head, "", *table(("from", "to", "for", "verdict", "reason", "rule", "probe", ""), rows)]


def _share_in_use(session: Session, periods: list[Period]) -> str:
    """Share of stable time within the zone's hours of use, as text; "" without such hours."""
    hours = session.setup.zone(periods[0].zone).hours_of_use
    if hours is None:
        return ""
    used = spans(hours, session.setup.room.timezone, periods[0].from_ns, periods[-1].to_ns)
    used_ns = sum(b - a for a, b in used)
    stable_ns = overlap_ns([(p.from_ns, p.to_ns) for p in periods if p.verdict == "stable"], used)
    return f", and for {percent(stable_ns / used_ns)} of its hours of use" if used_ns else ""


def _period_row(session: Session, p: Period) -> tuple[str, ...]:
    zone = session.zone_info
    lasted = duration((p.to_ns - p.from_ns) / NS)
    young = "provisional" if p.provisional else ""
    rule = session.setup.rule_names.get(p.rule, p.rule)
    return wall(p.from_ns, zone), wall(p.to_ns, zone), lasted, p.verdict, p.reason, rule, p.probe, young
