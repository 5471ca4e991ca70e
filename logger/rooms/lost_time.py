"""Where time was lost, over all rooms, and to what: hours of use that were not stable, by room and cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..config import in_force
from ..errors import StillroomError
from ..inspections.cases import cases_in, lost_time
from ..store import Store
from ..verdicts.verdicts import Verdicts
from .registry import Registry
from .roles import room_store


@dataclass(frozen=True)
class RoomLoss:
    """Time not stable in hours of use in one room, ns; `causes` the largest first. `why`: it is not known."""

    room: str
    not_stable_ns: int = 0
    causes: tuple[tuple[str, int], ...] = ()
    rest_ns: int = 0
    why: str = ""


def losses(registry: Registry, from_ns: int, to_ns: int, now_ns: int) -> list[RoomLoss]:
    """What each room lost over [from, to): rooms that are not known first, then the most time."""
    rows = [_loss(registry, key, from_ns, to_ns, now_ns) for key in registry.rooms]
    return sorted(rows, key=lambda row: (not row.why, -row.not_stable_ns, row.room))


def by_cause(rows: Sequence[RoomLoss]) -> list[tuple[str, int, int]]:
    """(cause, ns, rooms) over all rooms, the most time first."""
    spent: dict[str, list[int]] = {}
    for row in rows:
        for cause, lost_ns in row.causes:
            total = spent.setdefault(cause, [0, 0])
            total[0], total[1] = total[0] + lost_ns, total[1] + 1
    return sorted(((c, ns, n) for c, (ns, n) in spent.items()), key=lambda row: (-row[1], row[0]))


def _loss(registry: Registry, key: str, from_ns: int, to_ns: int, now_ns: int) -> RoomLoss:
    try:
        with room_store(registry.room(key)) as store:
            return _of_store(store, key, from_ns, to_ns, now_ns)
    except (StillroomError, OSError) as error:
        return RoomLoss(key, why=str(error))


def _of_store(store: Store, key: str, from_ns: int, to_ns: int, now_ns: int) -> RoomLoss:
    verdicts = Verdicts(store, in_force(store.setups.versions()).setup)
    records = cases_in(verdicts, None, from_ns, to_ns, now_ns)
    lost = lost_time(verdicts, records, None, (from_ns, to_ns), now_ns)
    causes = tuple((c.cause, c.lost_ns) for c in lost.causes if c.lost_ns)
    return RoomLoss(key, lost.not_stable_ns, causes, lost.rest_ns)
