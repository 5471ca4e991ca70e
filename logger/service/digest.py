"""The daily digest: one mail that takes ten seconds to read. That it does not come is a sign, too.

It carries the head of the journal's chain out of the house: with it, `stillroom verify --head` can later show
that nothing before was altered.
"""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

from ..acts import alarms as attending
from ..core.alarms.recipients import addresses, default_routes
from ..core.calibration.status import status
from ..instants import NS, local, to_ns
from ..model import Config
from ..notify.quantities import duration, quantity
from ..notify.text import Wording
from ..store import Store
from ..verdicts.verdicts import Verdicts

KIND = "digest"
DAY_NS = 86_400 * NS


def queue_digest(store: Store, config: Config, verdicts: Verdicts, now_ns: int) -> bool:
    """Queue the digest of the day once its time of day has come; whether it was queued now."""
    due_ns = _due_ns(config, now_ns)
    if due_ns is None:
        return False
    last = next((e for e in store.journal.entries(kind=KIND, newest_first=True, limit=1)), None)
    day = local(due_ns, ZoneInfo(config.setup.room.timezone)).date().isoformat()
    if last is not None and str(last.what["day"]) >= day:
        return False
    names = config.notices.digest_routes or default_routes(config)
    to = addresses(names, config, now_ns)
    words = wording(store, config, verdicts, now_ns)
    with store.begin() as conn:
        store.journal.append(KIND, "service", {"day": day, "recipients": len(to)}, conn=conn)
        attending.outbox(store).post(conn, f"{KIND}.{day}", [(a, words) for a in to], now_ns)
    return True


def _due_ns(config: Config, now_ns: int) -> int | None:
    """The newest instant at which a digest was due; None without one, or where its day is long over."""
    if config.notices.digest_at is None:
        return None
    hour, minute = config.notices.digest_at
    zone = ZoneInfo(config.setup.room.timezone)
    today = local(now_ns, zone).replace(hour=hour, minute=minute, second=0, microsecond=0)
    if to_ns(today) > now_ns:
        today -= timedelta(days=1)
    return to_ns(today)


def wording(store: Store, config: Config, verdicts: Verdicts, now_ns: int) -> Wording:
    """The digest of the 24 hours before `now_ns`."""
    setup, from_ns = config.setup, now_ns - DAY_NS
    mark = "SIMULATED: " if store.simulated else ""
    lines, worst = [], "stable"
    for zone in setup.zones_now():
        shares = _shares(verdicts, zone.key, from_ns, now_ns)
        worst = next((v for v in ("not stable", "not shown") if v in (worst, *shares)), worst)
        summary = ", ".join(f"{verdict} {duration(ns)}" for verdict, ns in shares.items()) or "no verdict"
        lines.append(f"{zone.name}: {summary}.")
        excursions = verdicts.excursions(zone.key, from_ns, now_ns, now_ns, refresh=False)
        lines += [
            f"  {e.rule}: {duration(e.to_ns - e.from_ns)} beyond the limit {quantity(e.limit, e.unit)}, "
            f"worst {quantity(e.worst, e.unit)}"
            for e in excursions
        ]
    lines += ["", _due(config, now_ns), _waiting(store), _head(store)]
    subject = (
        f"{mark}{setup.room.name}: {worst if worst != 'stable' else 'stable throughout'} since yesterday"
    )
    return Wording(subject, "\n".join([f"{mark}{setup.room.name}, the last 24 hours", *lines]) + "\n")


def _shares(verdicts: Verdicts, zone: str, from_ns: int, to_ns: int) -> dict[str, int]:
    """Nanoseconds of each verdict that occurred, the good one first."""
    shares: dict[str, int] = {}
    for p in verdicts.periods(zone, from_ns, to_ns, to_ns, refresh=False):
        shares[p.verdict] = shares.get(p.verdict, 0) + p.to_ns - p.from_ns
    return {v: shares[v] for v in ("stable", "not stable", "not shown") if v in shares}


def _due(config: Config, now_ns: int) -> str:
    statuses = [status(config.setup, channel, now_ns) for channel in config.setup.channels]
    due = [f"{c.channel} {c.status} ({c.due})" for c in statuses if c.status in ("due", "overdue")]
    more = " and more" if len(due) > 12 else ""
    return f"Calibration: {', '.join(due[:12])}{more}." if due else "No calibration due."


def _waiting(store: Store) -> str:
    waits = [a.key for a in attending.alarm_list(store) if a.state != "normal"]
    return f"Active or unacknowledged alarms: {', '.join(waits)}." if waits else "No active alarms."


def _head(store: Store) -> str:
    number, digest = store.journal.head()
    return (
        f"Head of the journal: entry {number}, {digest}\n"
        "If this mail ever fails to arrive, check that the service is running."
    )
