"""What the address of page Trend asks for, and the windows that its buttons lead to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from urllib.parse import parse_qs, urlencode
from zoneinfo import ZoneInfo

from logger.errors import IntervalError
from logger.instants import NS
from logger.local_time import offset_text, stretches

from ..data.channels import channels_of, quantities
from ..data.queries import Queries
from ..data.words import field_text, instant, local, offset_s

HOUR_NS = 3600 * NS
LONGEST_NS = 100 * 8766 * HOUR_NS
SHORTEST_NS = 60 * NS
PANELS = 3  # more quantities than this leave no height for any


@dataclass(frozen=True)
class TrendView:
    """What the address asks for."""

    zone: str
    quantities: tuple[str, ...]
    channels: tuple[str, ...]  # none: all of the zone
    from_ns: int
    to_ns: int


def view_of(q: Queries, search: str) -> TrendView:
    """The view in an address; what is left out is the last 24 h of the first zone's temperature."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    setup, zone_name = q.setup, q.room.timezone
    zone = q.zone(query.get("zone") or next(iter(setup.zones))).key
    names_ = quantities(setup)
    names = tuple(n for n in query.get("quantity", "temperature").split(",") if n in names_)[:PANELS] or (
        names_[0],
    )
    to_ns = instant(query["to"], zone_name, wanted_in="To") if query.get("to") else q.now_ns()
    from_ns = (
        instant(query["from"], zone_name, wanted_in="From") if query.get("from") else to_ns - 24 * HOUR_NS
    )
    if to_ns <= from_ns:
        raise IntervalError("“To” must be later than “From”.")
    if to_ns - from_ns > LONGEST_NS:
        raise IntervalError("Choose less than 100 years.")
    channels_ = {c for name in names for c in channels_of(setup, name)}
    return TrendView(
        zone, names, tuple(c for c in query.get("channels", "").split(",") if c in channels_), from_ns, to_ns
    )


def search_of(view: TrendView, zone: str) -> str:
    """The address of a view."""
    query = {
        "zone": view.zone,
        "quantity": ",".join(view.quantities),
        "channels": ",".join(view.channels),
        "from": field_text(view.from_ns, zone),
        "to": field_text(view.to_ns, zone),
    }
    return "?" + urlencode({key: value for key, value in query.items() if value})


def move_view(view: TrendView, step: str) -> TrendView:
    """The view half a window earlier or later, or half or twice as long around its middle."""
    whole, minute = view.to_ns - view.from_ns, 60 * NS
    half = max(whole // 2 // minute, 1) * minute
    quarter = half // 2 // minute * minute
    shift = {
        "earlier": (-half, -half),
        "later": (half, half),
        "closer": (quarter, -quarter),
        "wider": (-half, half),
    }
    a, b = shift.get(step, (0, 0))
    moved = replace(view, from_ns=view.from_ns + a, to_ns=view.to_ns + b)
    return moved if SHORTEST_NS <= moved.to_ns - moved.from_ns <= LONGEST_NS and moved.from_ns > 0 else view


def window_text(from_ns: int, to_ns: int, zone: str) -> str:
    """A window as it is said, with its length; both offsets where the clock changes in it.

    >>> window_text(1_792_879_200 * NS, 1_792_969_200 * NS, "Europe/Vienna")
    '2026-10-25 00:00 +02:00 to 2026-10-26 00:00 +01:00, 25 h'
    """
    first, last = local(from_ns, zone), local(to_ns, zone)
    offsets = [offset_text(offset_s(ns, zone)) for ns in (from_ns, to_ns)]
    end = last[11:] if first[:10] == last[:10] else last
    if len(stretches(from_ns, to_ns, ZoneInfo(zone))) > 1 or offsets[0] != offsets[1]:
        return f"{first} {offsets[0]} to {last} {offsets[1]}, {length_text(to_ns - from_ns)}"
    return f"{first} to {end} {offsets[1]}, {length_text(to_ns - from_ns)}"


def length_text(ns: int) -> str:
    """How long a window is, in the unit in which it comes out even.

    >>> [length_text(hours * HOUR_NS) for hours in (1, 25, 336, 745)]
    ['1 h', '25 h', '14 d', '31 d (745 h)']
    """
    minutes = round(ns / (60 * NS))
    if minutes < 60 or (minutes % 60 and minutes < 2880):
        return f"{minutes // 60} h {minutes % 60} min" if minutes > 60 else f"{minutes} min"
    hours = round(minutes / 60)
    if hours < 48:
        return f"{hours} h"
    return f"{hours // 24} d" if hours % 24 == 0 else f"{round(hours / 24)} d ({hours} h)"
