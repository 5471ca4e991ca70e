"""What the record says over time: `verdicts`."""

from __future__ import annotations

from typing import Any

import typer

from ..core.validity.hours_of_use import overlap_ns, spans
from ..instants import NS, rfc3339, wall
from ..model import Period
from .context import Opened, interval, opened
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
    with opened(data, config) as found:
        from_ns, to_ns = interval(found, zone, start, end)
        judged = found.verdicts().periods(zone, from_ns, to_ns, found.now_ns)
        periods = _whole(judged, zone, from_ns, to_ns)
        answer([_period_json(p) for p in periods], as_json, _period_lines(found, periods))


def _whole(judged: list[Period], zone: str, from_ns: int, to_ns: int) -> list[Period]:
    """All of the interval: before the record, and in the minute that is not over, nothing is shown."""
    begin, end = (judged[0].from_ns, judged[-1].to_ns) if judged else (from_ns, from_ns)
    before = Period(zone, from_ns, begin, "not shown", "indeterminate")
    after = Period(zone, end, to_ns, "not shown", "indeterminate", provisional=True)
    return [p for p in (before, *judged, after) if p.from_ns < p.to_ns]


def _period_json(p: Period) -> dict[str, Any]:
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


def _period_lines(found: Opened, periods: list[Period]) -> list[str]:
    total = sum(p.to_ns - p.from_ns for p in periods)
    stable = sum(p.to_ns - p.from_ns for p in periods if p.verdict == "stable")
    name = found.setup.zone(periods[0].zone).name
    head = f"{name} was stable for {duration(stable / NS)} of {duration(total / NS)} ({stable / total:.1%})"
    head += _in_use(found, periods) + "."
    rows = [_period_row(found, p) for p in periods]
    return [head, "", *table(("from", "to", "for", "verdict", "reason", "rule", "probe", ""), rows)]


def _in_use(found: Opened, periods: list[Period]) -> str:
    """The same of the zone's hours of use, where any are declared and lie in the interval."""
    hours = found.setup.zone(periods[0].zone).hours_of_use
    if hours is None:
        return ""
    used = spans(hours, found.setup.room.timezone, periods[0].from_ns, periods[-1].to_ns)
    whole = sum(b - a for a, b in used)
    stable = overlap_ns([(p.from_ns, p.to_ns) for p in periods if p.verdict == "stable"], used)
    return f", and for {stable / whole:.1%} of its hours of use" if whole else ""


def _period_row(found: Opened, p: Period) -> tuple[str, ...]:
    zone = found.zone_info
    lasted = duration((p.to_ns - p.from_ns) / NS)
    young = "provisional" if p.provisional else ""
    return wall(p.from_ns, zone), wall(p.to_ns, zone), lasted, p.verdict, p.reason, p.rule, p.probe, young
