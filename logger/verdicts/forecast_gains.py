"""What forecasts gained over "stays as it is" on a zone's own record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..core.judge.days import DAY_NS
from ..core.judge.outlook import Gains, gains

if TYPE_CHECKING:
    from .verdicts import Verdicts

# Days over which forecasts are compared with persistence.
GAIN_DAYS = 28


def gains_up_to(verdicts: Verdicts, zone: str, now_ns: int) -> Gains:
    """Gains by rule and channel over the last weeks before `now_ns`; empty where there is no record."""
    record = verdicts.record(zone)
    if record is None or record[0] >= now_ns:
        return {}
    begin_ns = (now_ns // DAY_NS - GAIN_DAYS) * DAY_NS
    judgement = verdicts.judgement(zone, max(record[0], begin_ns), now_ns, now_ns, refresh=False)
    return gains(verdicts.setup, judgement) if judgement.grid.n else {}
