"""Two pages for managers: what was lost and why, what to fix first, and what falls due.

All sums are those of `review year`; hours are those in which the room was in use and not stable.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..core.judge.cases import NOT_NAMED
from ..inspections.cases import cases_in, lost_time
from ..instants import NS, parse, wall
from ..model import Config
from ..model.figures import percent
from ..record.marks import INK, SOFT
from ..record.svg import drawing, element, path, text
from ..record.year import year
from .due_days import due_days
from .paper import compile_paper, frame, section
from .span_figures import parts_of

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

AHEAD_DAYS = 120
MOST = 12  # rows of a table: two pages hold them


def management_pages(store: Store, config: Config, verdicts: Verdicts, number: int, now_ns: int) -> bytes:
    """The two pages of a year as PDF, up to now where it is not over."""
    summary = year(store, verdicts, number, [], now_ns, config.reviews)
    months = lost_by_month(verdicts, number, now_ns)
    words = management_words(store, config, verdicts, summary, now_ns)
    return compile_paper("management", words, now_ns, {"months.svg": _bars(months).encode()})


def lost_by_month(verdicts: Verdicts, number: int, now_ns: int) -> list[tuple[str, int | None]]:
    """Seconds not stable in hours of use of each month of a year that has begun, over all zones.

    None where no zone has a reading in that month: nothing is known to be lost, or not to be.
    """
    _, parts = parts_of(f"{number:04d}", verdicts.setup.room.timezone)
    begun = [(label, a, min(b, now_ns)) for label, a, b in parts if a < now_ns]
    records = cases_in(verdicts, None, begun[0][1], begun[-1][2], now_ns) if begun else []
    return [
        (
            label,
            lost_time(verdicts, records, None, (a, b), now_ns).not_stable_ns // NS
            if _has_evidence(verdicts, (a, b), now_ns)
            else None,
        )
        for label, a, b in begun
    ]


def _has_evidence(verdicts: Verdicts, span: tuple[int, int], now_ns: int) -> bool:
    """Whether any zone was judged by readings at any time of an interval."""
    periods = (p for zone in verdicts.setup.zones for p in verdicts.periods(zone, *span, now_ns))
    return any(p.reason != "indeterminate" for p in periods)


def hours_text(seconds: int) -> str:
    """Hours and minutes as people write them.

    >>> hours_text(19_500), hours_text(0)
    ('5:25 h', '0:00 h')
    """
    hours, rest = divmod(seconds // 60, 60)
    return f"{hours}:{rest:02d} h"


def management_words(
    store: Store, config: Config, verdicts: Verdicts, summary: Mapping[str, Any], now_ns: int
) -> dict[str, Any]:
    """What the pages print, as plain data."""
    setup = verdicts.setup
    zone = ZoneInfo(setup.room.timezone)
    lost = hours_text(summary["not_stable_in_use_s"])
    cases = sum(z["cases"] for z in summary["zones"])
    noun = "case" if cases == 1 else "cases"
    names = {zone.key: zone.name for zone in setup.zones.values()}
    return frame(setup, f"The year {summary['year']}", simulated=store.simulated) | {
        "sentence": f"{lost} of the hours of use were lost in {cases} {noun}.",
        "because": f"Up to {wall(parse(summary['to'], ZoneInfo('UTC')), zone)}. Lost: in use and not stable, "
        "each minute once.",
        "months_alt": "Hours lost by month; no data: no zone has a reading in that month",
        "first": [_zones(verdicts, summary), _causes(summary), _mend(summary, names)],
        "second": [_open(verdicts, summary, now_ns), _due(store, config, now_ns), _actions(summary, names)],
        "judged": [
            "Stable: every limit is kept and the probes prove it. Not shown: perhaps all is well, but it is "
            "not proven; this time is no loss here, and no proof either.",
            f"Reviews signed: {summary['reviews']}; missing: {summary['reviews_missing']}.",
        ],
    }


def _share(value: float | None) -> str:
    return "no record" if value is None else percent(value)


def _zones(verdicts: Verdicts, summary: Mapping[str, Any]) -> dict[str, Any]:
    rows = [
        [
            verdicts.setup.zone(z["zone"]).name, _share(z["stable"]), _share(z["stable_in_use"]),
            _share(z["stable_year_before"]), str(z["cases"]),
            "no record" if z["stable_year_before"] is None else str(z["cases_year_before"]),
        ]
        for z in summary["zones"]
    ]  # fmt: skip
    heads = ["Zone", "Stable", "In hours of use", "Stable, year before", "Cases", "Cases, year before"]
    return section("How much of the time was stable", heads, "wrrrrr", rows)


def _causes(summary: Mapping[str, Any]) -> dict[str, Any]:
    rows = [[c["cause"], str(c["cases"]), hours_text(c["lost_s"])] for c in summary["causes"][:MOST]]
    left = summary["causes"][MOST:]
    if left:
        more = sum(c["lost_s"] for c in left)
        rows.append([f"{len(left)} more causes", str(sum(c["cases"] for c in left)), hours_text(more)])
    rows.append(["No case explains it", "", hours_text(summary["no_case_s"])])
    rows.append(["All", "", hours_text(summary["not_stable_in_use_s"])])
    return section("What was lost, and why", ["Cause", "Cases", "Lost"], "wrr", rows)


def _mend(summary: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """What is known to come back, or costs most, with the corrective action that was written down."""
    rows = []
    for cause in summary["causes"][:3]:
        if cause["lost_s"]:
            share = cause["lost_s"] / max(1, summary["not_stable_in_use_s"])
            rows.append([_to_fix(cause), f"{percent(share)} of what was lost", hours_text(cause["lost_s"])])
    for repeat in summary["repeats"][:3]:
        rows.append(
            [
                f"case {repeat['case']}",
                "third or later of its cause within 30 days",
                names.get(repeat["zone"], repeat["zone"]),
            ]
        )
    return section("What to fix first", ["What", "Why", "Lost, or zone"], "wwr", rows, "Nothing was lost.")


def _to_fix(cause: Mapping[str, Any]) -> str:
    """A cause as something to fix; without one the first step is to name it."""
    number = cause["cases"]
    unnamed = f"name the cause of {number} case{'s' * (number != 1)}"
    return unnamed if cause["cause"] == NOT_NAMED else str(cause["cause"])


def _open(verdicts: Verdicts, summary: Mapping[str, Any], now_ns: int) -> dict[str, Any]:
    utc, zone = ZoneInfo("UTC"), ZoneInfo(verdicts.setup.room.timezone)
    span = parse(summary["from"], utc), min(parse(summary["to"], utc), now_ns)
    waiting = [r for r in cases_in(verdicts, None, *span, now_ns) if r.waits] if span[1] > span[0] else []
    rows = [
        [
            str(r.number or ""),
            ", ".join(verdicts.setup.zone(z).name for z in r.case.zones),
            wall(r.case.from_ns, zone),
            ", ".join(r.missing),
        ]
        for r in waiting[:MOST]
    ]
    if len(waiting) > MOST:
        rows.append(["", "", "", f"and {len(waiting) - MOST} more"])
    return section("Cases that wait", ["Case", "Zone", "From", "Missing"], "lllw", rows, "No case waits.")


def _due(store: Store, config: Config, now_ns: int) -> dict[str, Any]:
    from datetime import timedelta

    from ..instants import local

    today = local(now_ns, ZoneInfo(config.setup.room.timezone)).date()
    coming = [
        d
        for d in due_days(store, config, now_ns)
        if d.day is not None and not d.cancelled and d.day <= today + timedelta(days=AHEAD_DAYS)
    ]
    rows = [[str(d.day), d.what, "overdue" if d.day and d.day < today else ""] for d in coming[:MOST]]
    if len(coming) > MOST:
        rows.append(["", f"and {len(coming) - MOST} more", ""])
    title = f"Due within {AHEAD_DAYS} days"
    return section(title, ["Day", "What", ""], "lwl", rows, "Nothing falls due.")


def _actions(summary: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    rows = [
        [
            a["day"],
            names.get(a["zone"], a["zone"]),
            str(a["before"]),
            str(a["after"]),
            f"{a['before_h']:.1f} h",
            f"{a['after_h']:.1f} h",
        ]
        for a in summary["actions"][:MOST]
    ]
    heads = ["Corrective action", "Zone", "Cases before", "After", "Lost before", "After"]
    return section(
        "What corrective actions changed, 30 days before and after",
        heads,
        "wlrrrr",
        rows,
        "None was written.",
    )


def _bars(months: Sequence[tuple[str, int | None]]) -> str:
    """Hours lost by month, as bars with their figures."""
    width, height, base = 480.0, 96.0, 76.0
    largest = max((s or 0 for _, s in months), default=0) or 1
    step = width / 12
    parts = [path(f"M0 {base}H{width:g}", INK, 0.6)]
    for n in range(12):
        label = months[n][0][5:] if n < len(months) else f"{n + 1:02d}"
        x = n * step + step / 2
        parts.append(text(x, base + 11, label, "middle", fill=SOFT))
        if n >= len(months):
            continue
        lost = months[n][1]
        if lost is None:
            parts.append(text(x, base - 4, "no data", "middle", fill=SOFT, font_size=7))
            continue
        size = 58 * lost / largest
        if lost:
            parts.append(element("rect", x=x - 11, y=base - size, width=22, height=size, fill="#d55e00"))
        words = hours_text(lost).removesuffix(" h") if lost else "0"
        parts.append(text(x, base - size - 4, words, "middle", fill=INK))
    return drawing(width, height, "".join(parts), font_family="B612", font_size=8)
