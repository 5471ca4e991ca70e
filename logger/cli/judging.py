"""What the record says: `verdicts` over time, and the `check` of one interval."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..hours import common_ns, spans
from ..instants import rfc3339, wall
from ..model import NS, VERDICT_OF, Period
from .opening import Opened, interval, opened
from .options import DEFAULT_DATA, Config, Data, From, Json, To, Zone
from .printing import answer, duration, figures, table

if TYPE_CHECKING:
    from ..inspection import Check

EXIT_OF = {"stable": 0, "not stable": 10, "not shown": 11}


def add_to(app: typer.Typer) -> None:
    app.command("verdicts", short_help="Verdict and reason over time.")(verdicts)
    app.command("check", short_help="Did the room support this interval? Why?")(check)


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
    stable = common_ns([(p.from_ns, p.to_ns) for p in periods if p.verdict == "stable"], used)
    return f", and for {stable / whole:.1%} of its hours of use" if whole else ""


def _period_row(found: Opened, p: Period) -> tuple[str, ...]:
    zone = found.zone_info
    lasted = duration((p.to_ns - p.from_ns) / NS)
    young = "provisional" if p.provisional else ""
    return wall(p.from_ns, zone), wall(p.to_ns, zone), lasted, p.verdict, p.reason, p.rule, p.probe, young


def check(
    *,
    zone: Zone,
    start: From,
    end: To,
    pre_window_s: Annotated[
        int | None,
        typer.Option(
            "--pre-window-s",
            metavar="SECONDS",
            min=0,
            help="Seconds before the start in which the rules must hold.",
        ),
    ] = None,
    activity: Annotated[
        str, typer.Option("--activity", metavar="NAME", help="Judge by the limits of this activity.")
    ] = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Did the room support what was measured in this interval? With every reason.

    Exits with 0 for stable, 10 for not stable, 11 for not shown, so that a measuring program can ask.

    \b
    Example:
      stillroom check --zone machine-bay --from 2026-10-19T08:00 --to 2026-10-19T09:30 --json
    """
    with opened(data, config) as found:
        from_ns, to_ns = interval(found, zone, start, end)
        _known(found, zone, activity)
        result = found.verdicts().check(
            zone, from_ns, to_ns, found.now_ns, pre_window_s=pre_window_s, activity=activity
        )
        answer(result.to_json(), as_json, check_lines(found, result))
    raise typer.Exit(EXIT_OF[result.verdict])


def _known(found: Opened, zone: str, activity: str) -> None:
    """A misspelt activity would be judged by the general limits, which may be wider."""
    known = {r.activity for s in found.setup.every() for r in s.rules if r.zone == zone and r.activity}
    if activity and activity not in known:
        names = ", ".join(sorted(known)) or "none"
        raise Refused(
            f"No rule of zone {zone!r} is for the activity {activity!r}; it has rules for: {names}. "
            "Without --activity the general limits hold."
        )


def check_lines(found: Opened, result: Check) -> list[str]:
    """The answer for a person: the verdict, why, and what the channels read."""
    told: Any = result.to_json()
    name = found.setup.zone(result.zone).name
    head = f"{name}, {told['from']} to {told['to']}: {result.verdict}."
    reasons = [_reason_row(r) for r in decisive_first(told)]
    heads = ("reason", "rule", "probe", "from", "to", "worst", "limit", "U", "unit", "because")
    read = [
        (
            s.channel,
            *map(_figure, (s.min, s.max, s.mean, s.span)),
            s.unit,
            _share(s.share_conforming),
            _share(s.share_conforming_in_use),
        )
        for s in result.statistics
    ]
    return [
        head + (" Provisional: younger readings may still change it." if result.provisional else ""),
        "",
        *(table(heads, reasons) if reasons else ["  Every rule was shown to be met."]),
        "",
        *table(("channel", "min", "max", "mean", "span", "unit", "conforming", "in hours of use"), read),
        "",
        f"  decision rule: {result.decision_rule}; pre-window {duration(result.pre_window_s)}",
        f"  setup {result.setup[:12]}, {result.software}, digest {told['digest'][:12]}",
    ]


def decisive_first(told: dict[str, Any]) -> list[dict[str, Any]]:
    """Reasons that made the verdict before the others, and among them those of the interval itself."""
    return sorted(
        told["reasons"], key=lambda r: (VERDICT_OF[r["reason"]] != told["verdict"], r["pre_window"])
    )


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _share(share: float | None) -> str:
    return "" if share is None else f"{share:.1%}"


def _reason_row(r: dict[str, Any]) -> tuple[Any, ...]:
    when = "before " if r["pre_window"] else ""
    told = figures(r["worst"], r["limit"], r["U"])
    return when + r["reason"], r["rule"], r["probe"], r["from"], r["to"], *told, r["unit"], r["why"]
