"""Who used what when, over all rooms: references, certificates, channels, zones; jobs by key and time alone.

`index.json` in the group's folder is a cache of what the records say and can be made anew. It holds no title,
part or customer. A room that cannot be asked now is not known: it comes first in every answer.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select

from ..config import in_force
from ..errors import StillroomError
from ..instants import rfc3339
from ..model import Certificate, Setup
from ..store import Store
from ..store.hot import tables
from .registry import Registry, replace_file
from .roles import room_store

FILE = "index.json"
FOR_EVER_NS = 2**62
JOB_COLUMNS = ("zone", "key", "from_ns", "to_ns")


@dataclass(frozen=True)
class Use:
    """One certificate of one channel in one zone over [from, to), and a reference that it was made with."""

    reference: str
    certificate: str
    channel: str
    zone: str
    from_ns: int
    to_ns: int


@dataclass(frozen=True)
class RoomUses:
    """What one room answered. `why`: why it could not be asked; the rest is then what it said before."""

    room: str
    uses: tuple[Use, ...] = ()
    jobs: tuple[tuple[str, str, int, int], ...] = ()  # zone, key, from, to in ns
    setup: int = 0
    head: int = 0
    at_ns: int = 0
    why: str = ""


@dataclass(frozen=True)
class AffectedRoom:
    """A room that a reference touches, with its certificates and the keys of its jobs, by zone."""

    room: str
    certificates: tuple[str, ...]
    channels: tuple[str, ...]
    jobs: tuple[tuple[str, str], ...]  # zone, key
    why: str = ""
    at_ns: int = 0

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        return {
            "room": self.room,
            "known": not self.why,
            "why": self.why,
            "certificates": list(self.certificates),
            "channels": list(self.channels),
            "inspections": [{"zone": zone, "inspection": key} for zone, key in self.jobs],
            "as_of": rfc3339(self.at_ns) if self.at_ns else None,
        }


def index(registry: Registry, now_ns: int, *, anew: bool = False) -> list[RoomUses]:
    """Ask every room what changed since it was asked last, and keep the answers; `anew`: believe none."""
    before = {} if anew else _last_answers(registry)
    answers = [_answer_of(registry, key, before.get(key), now_ns) for key in registry.rooms]
    text = json.dumps({a.room: _plain(a) for a in answers}, ensure_ascii=False, separators=(",", ":"))
    replace_file(registry.centre / FILE, text.encode())
    return answers


def affected_rooms(
    answers: Sequence[RoomUses], reference: str, from_ns: int, to_ns: int
) -> list[AffectedRoom]:
    """Rooms whose readings rest on a reference within [from, to): not known first, then the most jobs."""
    rooms = [_affected_room(answer, reference, from_ns, to_ns) for answer in answers]
    return sorted(
        (room for room in rooms if room.why or room.certificates),
        key=lambda room: (not room.why, -len(room.jobs), room.room),
    )


def references(answers: Sequence[RoomUses]) -> dict[str, tuple[int, int]]:
    """Reference -> how many certificates rest on it, in how many rooms."""
    pairs = {(u.reference, a.room, u.certificate) for a in answers for u in a.uses}
    marks = sorted({reference for reference, _, _ in pairs})
    return {
        mark: (
            sum(reference == mark for reference, _, _ in pairs),
            len({room for reference, room, _ in pairs if reference == mark}),
        )
        for mark in marks
    }


def uses_of(setup: Setup) -> Iterator[Use]:
    """Every use of every reference, one for each zone in which the probe stood meanwhile."""
    for channel in setup.channels:
        certificates = setup.certificates_of(channel)
        ends = [c.valid_from_ns for c in certificates[1:]]
        for certificate, end_ns in zip(certificates, [*ends, FOR_EVER_NS], strict=True):
            for reference in certificate.references:
                yield from _in_zones(setup, certificate, reference, end_ns)


def _in_zones(setup: Setup, certificate: Certificate, reference: str, end_ns: int) -> Iterator[Use]:
    for stay in setup.placements_of(certificate.channel):
        begin = max(stay.from_ns, certificate.valid_from_ns)
        end = min(stay.to_ns or FOR_EVER_NS, end_ns)
        if begin < end and stay.position in setup.positions:
            zone = setup.positions[stay.position].zone
            yield Use(reference, certificate.number, certificate.channel, zone, begin, end)


def _affected_room(answer: RoomUses, reference: str, from_ns: int, to_ns: int) -> AffectedRoom:
    uses = [u for u in answer.uses if u.reference == reference and u.from_ns < to_ns and u.to_ns > from_ns]
    jobs = {
        (zone, key)
        for zone, key, begin, end in answer.jobs
        for use in uses
        if use.zone == zone and begin < min(use.to_ns, to_ns) and end > max(use.from_ns, from_ns)
    }
    return AffectedRoom(
        answer.room,
        tuple(sorted({u.certificate for u in uses})),
        tuple(sorted({u.channel for u in uses})),
        tuple(sorted(jobs)),
        answer.why,
        answer.at_ns,
    )


def _answer_of(registry: Registry, key: str, before: RoomUses | None, now_ns: int) -> RoomUses:
    try:
        with room_store(registry.room(key), read_only=True) as store:
            return _answer(store, key, before, now_ns)
    except (StillroomError, OSError) as error:
        answer = before or RoomUses(key)
        return RoomUses(key, answer.uses, answer.jobs, answer.setup, answer.head, answer.at_ns, str(error))


def _answer(store: Store, key: str, before: RoomUses | None, now_ns: int) -> RoomUses:
    with store.read() as conn:
        version = int(conn.execute(select(func.max(tables.setup.c.version))).scalar() or 0)
        t = tables.inspection
        rows = conn.execute(select(*(t.c[name] for name in JOB_COLUMNS)).order_by(t.c.key)).all()
    jobs = tuple((r.zone, r.key, r.from_ns, now_ns if r.to_ns is None else r.to_ns) for r in rows)
    if before is not None and before.setup == version:  # versions are never changed
        uses = before.uses
    else:
        uses = tuple(uses_of(in_force(store.setups.versions()).setup)) if version else ()
    return RoomUses(key, uses, jobs, version, store.journal.head()[0], now_ns)


def _last_answers(registry: Registry) -> Mapping[str, RoomUses]:
    """What was answered before; nothing where the file is none, as it can be made anew."""
    try:
        answers = json.loads((registry.centre / FILE).read_text(encoding="utf-8"))
        return {key: _of_plain(key, plain) for key, plain in answers.items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}


def _plain(answer: RoomUses) -> dict[str, Any]:
    uses = [list(vars(use).values()) for use in answer.uses]
    return {**vars(answer), "uses": uses, "jobs": [list(job) for job in answer.jobs]}


def _of_plain(key: str, plain: Mapping[str, Any]) -> RoomUses:
    uses = tuple(Use(*use) for use in plain["uses"])
    jobs = tuple((str(zone), str(job), int(begin), int(end)) for zone, job, begin, end in plain["jobs"])
    return RoomUses(key, uses, jobs, int(plain["setup"]), int(plain["head"]), int(plain["at_ns"]))
