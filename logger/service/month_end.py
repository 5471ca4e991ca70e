"""When a month is over: the record of each zone is issued, once, and what is still open is listed first."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ..inspections.cases import cases_in
from ..instants import NS, local, parse
from ..model import Config
from ..record.issuance import issue
from ..record.issues import issues
from ..record.reviews import missing
from ..store import Store
from ..verdicts.verdicts import Verdicts

WHO = "service"


def month_end(store: Store, config: Config, now_ns: int) -> dict[str, Any]:
    """Issue what is not issued yet of the month before; gives what a person needs to know of it."""
    setup = config.setup
    zone = ZoneInfo(setup.room.timezone)
    first = local(now_ns, zone).date().replace(day=1)
    before = (first - timedelta(days=1)).replace(day=1)
    span = parse(before.isoformat(), zone), parse(first.isoformat(), zone)
    verdicts, issued = Verdicts(store, setup), {(r.zone, r.from_ns, r.to_ns) for r in issues(store)}
    spans = {zone.key: _recorded_span(store, verdicts, zone.key, span) for zone in setup.zones_now()}
    numbers = [
        _issue(store, verdicts, key, part, now_ns)
        for key, part in spans.items()
        if part is not None and (key, *part) not in issued
    ]
    open_cases = [r for r in cases_in(verdicts, None, *span, now_ns) if r.waits]
    return {
        "month": f"{before:%Y-%m}",
        "open_cases": len(open_cases),
        "reviews_missing": list(missing(store, setup, config.reviews, now_ns)),
        "records": numbers,
    }


def _recorded_span(
    store: Store, verdicts: Verdicts, zone: str, span: tuple[int, int]
) -> tuple[int, int] | None:
    """The part of the month since the zone's record began; None where there was none yet."""
    stored_channels = set(store.readings.channels())
    keys = [key for key in verdicts.setup.channels_in(zone) if key in stored_channels]
    extent = store.readings.extent(keys) if keys else None
    if extent is None or not extent[0] < span[1] or extent[1] < span[0]:
        return None
    step_ns = verdicts.setup.step_s * NS
    return max(span[0], extent[0] // step_ns * step_ns), span[1]


def _issue(store: Store, verdicts: Verdicts, zone: str, span: tuple[int, int], now_ns: int) -> int:
    with tempfile.TemporaryDirectory(prefix="stillroom-record-") as out:
        record = issue(store, verdicts, verdicts.setup, zone, *span, Path(out), WHO, now_ns)
    return record.number
