"""The newest days judged by what is not sealed yet, for the time in which sealed readings cannot be read.

A record whose verdicts have to be made again (a new judge, late readings, a restored copy) wants its sealed
files; while these are away or damaged, people must still be warned of the room as it is now. Nothing before
the first judged day is assumed: the bodies' state is unknown there. So a verdict can be *not shown* where the
whole record would show more, never the other way round. Nothing of it is stored among the verdicts of days.
"""

from __future__ import annotations

from ..core.judge.days import DAY_NS, DayVerdicts, split_into_days
from ..core.judge.judgement import DAY_S, Judgement
from ..core.judge.settings import judge_over
from .head import Head
from .ledger import Ledger

# Longer than a body takes to settle, as a rule. Of fast probes fewer days: this is done again each minute.
RECENT_DAYS, FEWEST_DAYS = 10, 2
MOST_READINGS = 2_000_000


def judge_recent(ledger: Ledger, zone: str, now_ns: int) -> tuple[Judgement, dict[int, DayVerdicts], Head]:
    """A judgement up to the last complete cell before `now_ns`, its days, and how far they reach.

    Raises StoreError where not even the readings that are not sealed can be read.
    """
    store, setup = ledger.store, ledger.setup
    unsealed_ns = max((seal.to_ns for seal in store.archive.seals(disposed=False)), default=0)
    today = now_ns // DAY_NS
    # Windows and tests of readings that look back see all that they need, where that leaves a day to judge.
    complete = -(-(unsealed_ns + ledger.lookback_ns[zone]) // DAY_NS)
    day = max(today - _days(ledger, zone), min(complete, today))
    grid = ledger.grid(day * DAY_NS, now_ns)
    begin_ns, end_ns = ledger.window(zone, grid, now_ns)
    readings = store.readings.read_channels(setup.channels_in(zone), max(begin_ns, unsealed_ns), end_ns)
    state = ledger.unknown_state(zone, day)
    judgement = judge_over(zone, setup, readings, grid, state, now_ns=now_ns, marks=ledger.marks())
    until_ns = (grid.first + grid.n) * grid.step_ns
    head = Head(ledger.context, 0, day, until_ns, ledger.open_from_ns(judgement))
    return judgement, split_into_days(judgement, state), head


def _days(ledger: Ledger, zone: str) -> int:
    """How many days before today are judged."""
    channels = ledger.setup.channels
    a_day = sum(DAY_S / channels[c].interval_s for c in ledger.setup.channels_in(zone) if c in channels)
    return int(min(max(MOST_READINGS / max(a_day, 1.0), FEWEST_DAYS), RECENT_DAYS))
