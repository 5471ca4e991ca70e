"""The first page of a package: plain HTML that needs no server, no script and nothing from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from ..instants import parse, wall
from ..model import TemperatureUnit
from ..model.figures import decimals_apart, percent, to_printed_unit, unit_name
from ..model.reader_units import difference_in_fahrenheit, value_in_fahrenheit

_FIGURE = re.compile(r"[−<> ]*\d+(\.\d+)?( h| %)?$")  # stands at the right of its column
_STYLE = """body{font:15px/1.5 system-ui,sans-serif;margin:2rem auto;max-width:60rem;padding:0 1rem;
color:#1b2430;background:#fff}table{border-collapse:collapse;margin:.5rem 0 1.5rem;
display:block;overflow-x:auto}
th,td{text-align:left;padding:.2rem .8rem .2rem 0;border-bottom:1px solid #d8dcdd;white-space:nowrap}
.n{text-align:right;font-variant-numeric:tabular-nums}th{color:#5a6672;font-weight:normal}
.mark{border:2px solid;padding:.5rem 1rem;font-weight:bold}code{overflow-wrap:anywhere}a{color:#0072b2}
@media(prefers-color-scheme:dark){body{color:#e6e9eb;background:#1b2430}a{color:#56b4e9}th{color:#b5bdc5}}"""


def index(summary: Mapping[str, Any], names: Sequence[str], temperatures: TemperatureUnit = "degC") -> str:
    """The page: what this is, each zone by month, worst days, excursions, every file."""
    title = f"{summary['room']}, {summary['site']}"
    body = "".join(_body(summary, names, temperatures))
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width,initial-scale=1"><style>{_STYLE}</style></head>'
        f"<body><main><h1>{escape(title)}</h1>{body}</main></body></html>\n"
    )


def _body(summary: Mapping[str, Any], names: Sequence[str], temperatures: TemperatureUnit) -> Iterator[str]:
    if summary["simulated"]:
        yield '<p class="mark">SIMULATED: nothing in this package is measured.</p>'
    zone = ZoneInfo(summary["timezone"])
    begin, end, packed = (wall(parse(summary[name], zone), zone) for name in ("from", "to", "packed"))
    yield f"<p>The data from {begin} to {end}, packed {packed}. "
    yield f"Custodian of the room: {escape(summary['custodian'])}.</p>"
    head = summary["head"]
    yield f"<p>Head of the chain: entry {head['number']}, <code>{head['sha256']}</code>. "
    yield 'How to verify all of it: <a href="HOW-TO-VERIFY.txt">HOW-TO-VERIFY.txt</a>.</p>'
    for facts in summary["zones"]:
        yield from _zone(facts, zone, temperatures)
    yield "<h2>Files</h2><ul>"
    yield from (f'<li><a href="{quote(name)}">{escape(name)}</a></li>' for name in names)
    yield "</ul>"


def _zone(facts: Mapping[str, Any], zone: ZoneInfo, temperatures: TemperatureUnit) -> Iterator[str]:
    yield f"<h2>{escape(facts['name'])}</h2>"
    words = ("stable", "not stable", "not shown")
    months = [
        [month, *(_hours(spent[w]) for w in words), _share(spent)] for month, spent in facts["months"].items()
    ]
    yield _table("Hours by month", ("Month", *(w.capitalize() for w in words), "Share stable"), months)
    worst = [[d["day"], *(_hours(d[w]) for w in words)] for d in facts["worst_days"]]
    yield _table("Worst days", ("Day", *(w.capitalize() for w in words)), worst)
    beyond = [_excursion(e, zone, temperatures) for e in facts["excursions"]]
    yield _table("Excursions", ("Rule", "From", "To", "Worst", "Limit", "U", "Unit", "Proven"), beyond)


def _excursion(e: Mapping[str, Any], zone: ZoneInfo, temperatures: TemperatureUnit) -> list[str]:
    """With as many digits as show on which side of the limit, or of its guard band, the worst value lies."""
    unit, U = e["unit"], e["U"]
    worst, limit = e["worst"], e["limit"]
    if temperatures == "degF":
        (worst, _), (limit, unit) = (value_in_fahrenheit(value, e["unit"]) for value in (worst, limit))
        U, _ = difference_in_fahrenheit(U, e["unit"])
    printed = [to_printed_unit(value, unit) for value in (worst, limit, U)]
    places = decimals_apart(*printed)
    figures = [f"{value:.{places}f}".replace("-", "−") for value in printed]
    ends = [wall(parse(e[name], zone), zone) for name in ("from", "to")]
    return [e["name"], *ends, *figures, unit_name(unit), "yes" if e["proven"] else "within U"]


def _hours(seconds: int) -> str:
    return f"{seconds / 3600:.1f} h"


def _share(spent: Mapping[str, int]) -> str:
    whole = sum(spent.values())
    return percent(spent["stable"] / whole) if whole else "no record"


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return f"<h3>{caption}</h3><p>None.</p>"
    figures = [all(_FIGURE.match(row[n]) for row in rows) for n in range(len(heads))]
    head = "".join(
        f'<th scope="col"{" class=n" if right else ""}>{escape(h)}</th>'
        for h, right in zip(heads, figures, strict=True)
    )
    lines = "".join(
        "<tr>"
        + "".join(f"<td{' class=n' if _FIGURE.match(c) else ''}>{escape(c)}</td>" for c in row)
        + "</tr>"
        for row in rows
    )
    return f"<h3>{caption}</h3><table tabindex=0><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"
