"""What a package leads with: each zone by month, its worst days, its excursions; counted, not judged anew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..instants import NS, local, parse, rfc3339
from ..model import Period

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

WORST_DAYS = 5
_VERDICTS = ("stable", "not stable", "not shown")


def summary(store: Store, verdicts: Verdicts, span: tuple[int, int], now_ns: int) -> dict[str, Any]:
    """The interval zone by zone; days and months are those of the room's clock, instants are UTC."""
    room = verdicts.setup.room
    number, sha256 = store.journal.head()
    return {
        "room": room.name,
        "site": room.site,
        "custodian": room.custodian,
        "timezone": room.timezone,
        "simulated": store.simulated,
        "from": rfc3339(span[0]),
        "to": rfc3339(span[1]),
        "packed": local(now_ns, ZoneInfo("UTC")).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "zones": [_zone(verdicts, key, span, now_ns) for key in verdicts.setup.zones],
        "head": {"number": number, "sha256": sha256},
    }


def _zone(verdicts: Verdicts, zone: str, span: tuple[int, int], now_ns: int) -> dict[str, Any]:
    periods = verdicts.periods(zone, span[0], min(span[1], now_ns), now_ns)
    days = by_day(periods, ZoneInfo(verdicts.setup.room.timezone))
    lost = {day: sum(spent.values()) - spent["stable"] for day, spent in days.items()}
    worst = sorted((day for day in days if lost[day]), key=lambda day: (-lost[day], day))
    months: dict[str, dict[str, int]] = {}
    for day, spent in sorted(days.items()):
        of_month = months.setdefault(day[:7], dict.fromkeys(_VERDICTS, 0))
        for verdict in _VERDICTS:
            of_month[verdict] += spent[verdict]
    names = verdicts.setup.rule_names
    excursions = verdicts.excursions(zone, *span, now_ns, refresh=False)
    return {
        "zone": zone,
        "name": verdicts.setup.zone(zone).name,
        "months": months,
        "worst_days": [{"day": day, **days[day]} for day in worst[:WORST_DAYS]],
        "excursions": [e.to_dict() | {"name": names.get(e.rule, e.rule)} for e in excursions],
    }


def by_day(periods: Sequence[Period], zone: ZoneInfo) -> dict[str, dict[str, int]]:
    """Day by the clock of the room -> seconds by verdict; a day on which it changes has 23 or 25 h.

    >>> days = by_day([Period("bay", 0, 90_000 * NS, "stable", "conforming")], ZoneInfo("UTC"))
    >>> days["1970-01-02"]["stable"]
    3600
    """
    days: dict[str, dict[str, int]] = {}
    for p in periods:
        begin = p.from_ns
        while begin < p.to_ns:
            day = local(begin, zone).date()
            end = min(p.to_ns, parse((day + timedelta(1)).isoformat(), zone))
            spent = days.setdefault(day.isoformat(), dict.fromkeys(_VERDICTS, 0))
            spent[p.verdict] += (end - begin) // NS
            begin = end
    return days
