"""What the centre has seen of its rooms: the newest summary of each, and the newest head of each journal.

The centre is a witness outside of every record: a head that went back, or that is another one under the
same number, stands here until a person accepts it with a reason. Nothing is "stable" by an old summary.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ..errors import StoreError, StoreInUse
from ..instants import NS
from ..store.lock import try_lock
from .receipts import Receipts, is_newer
from .registry import Registry, RoomEntry, replace_file
from .summary import FILE, HOLDS_NS, LARGEST_BYTES, Summary, SummaryFault, opened

SEEN = "seen.json"
LOCK_S = 5.0  # a page and a command may look at once
CLOCK_NS = 30 * NS  # a summary from further ahead than this tells of a doubtful clock
Trouble = Literal["", "back", "forged", "silent"]
# The order in which rooms want to be looked at; zones are "not stable" before "not shown" before "stable".
_TROUBLES: tuple[Trouble, ...] = ("back", "forged", "silent", "")
_VERDICTS = ("not stable", "not shown", "stable")


@dataclass(frozen=True)
class RoomState:
    """A room as it may be shown now. `verdict`: the worst of its zones, "not shown" in any trouble."""

    key: str
    name: str
    site: str
    custodian: str
    trouble: Trouble
    why: str  # the trouble as a sentence, or ""
    verdict: str
    zones: tuple[Mapping[str, Any], ...] = ()
    active: int = 0
    waiting: int = 0
    silent_probes: tuple[str, ...] = ()
    due: tuple[Mapping[str, str], ...] = ()
    at_ns: int | None = None  # of the newest summary that is the room's own
    timezone: str = "UTC"
    clock_ahead_s: float = 0.0  # against the clock of the centre, where that is over 30 s; below 0: behind
    simulated: bool = False

    @property
    def rank(self) -> tuple[int, int, int, int, str]:
        """Sort key: the worst first; then those whose alarms wait for a person, then by name."""
        place = _TROUBLES.index(self.trouble), _VERDICTS.index(self.verdict)
        return (*place, -self.waiting, -self.active, self.name.casefold())

    @property
    def quiet(self) -> bool:
        """Whether nobody needs to look: stable, heard, and without alarms."""
        return not self.trouble and self.verdict == "stable" and not self.active and self.clock_ahead_s == 0


@dataclass
class Sightings:
    """The heads that the centre has seen, kept in `seen.json` of its folder."""

    folder: Path
    _seen: dict[str, dict[str, Any]] = field(default_factory=dict)
    _stamp: tuple[int, int] | None = None
    _verified: dict[str, tuple[bytes, Summary]] = field(default_factory=dict)  # of each room, the last bytes

    def look(self, registry: Registry, now_ns: int) -> list[RoomState]:
        """Every room as it may be shown now, the worst first; one small file a room is read, and no store."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with try_lock(self.folder / "seen.lock", wait_s=LOCK_S) as ours:
            self._load()
            before = json.dumps(self._seen, sort_keys=True)
            states = [self._state(entry, now_ns) for entry in registry.rooms.values()]
            if ours and json.dumps(self._seen, sort_keys=True) != before:
                self._save()
        return sorted(states, key=lambda state: state.rank)

    def accept(self, entry: RoomEntry) -> Summary:
        """Begin anew with what a room says now, after a person looked into it; gives what was accepted.

        SummaryFault where the room says nothing that could be.
        """
        summary = self._present_summary(entry)
        with try_lock(self.folder / "seen.lock", wait_s=LOCK_S) as ours:
            if not ours:
                raise StoreInUse(f"Another program has {self.folder / SEEN} open; try again.")
            self._load()
            self._seen[entry.key] = _facts(summary)
            self._save()
        return summary

    def _present_summary(self, entry: RoomEntry) -> Summary:
        """What a room says now, by whatever key; SummaryFault or OSError where that is nothing."""
        try:
            return opened(_content(entry))
        except FileNotFoundError:
            return self._newest(entry)[0]

    def heads(self) -> dict[str, tuple[int, str]]:
        """The newest head seen of each room: what `verify` is to find in its chain."""
        self._load()
        return {key: (int(seen["head"][0]), str(seen["head"][1])) for key, seen in self._seen.items()}

    def _state(self, entry: RoomEntry, now_ns: int) -> RoomState:
        seen = self._seen.get(entry.key)
        try:
            summary, received_ns = self._newest(entry)
        except FileNotFoundError:
            return _without(entry, seen, "silent", "It has never written a summary." if not seen else "")
        except OSError as error:
            return _without(entry, seen, "silent", f"Its folder cannot be read: {error.strerror}.")
        except SummaryFault as fault:
            return _without(entry, seen, "forged", f"{_capital(str(fault))}: it says nothing that counts.")
        if seen is None:
            seen = self._seen[entry.key] = _facts(summary)
        if back := seen.get("back") or _went_back(seen, summary):
            self._seen[entry.key] = {**seen, "back": back}
            return _without(entry, seen, "back", back)
        self._seen[entry.key] = _facts(summary)
        written_ns = None if received_ns is not None else _written_ns(entry)
        return _room_state(entry, summary, now_ns, received_ns, written_ns)

    def _newest(self, entry: RoomEntry) -> tuple[Summary, int | None]:
        """The newest summary of a room, from its folder or sent here; when it came, where it was sent."""
        receipt = Receipts(self.folder).of(entry.key_name)
        try:
            own = self._opened(entry)
            if own.key_name != entry.key_name:
                raise SummaryFault("its summary is signed by another key than the one that was confirmed")
        except (OSError, SummaryFault):
            if receipt is None:
                raise
            return receipt.summary, receipt.received_ns
        if receipt is not None and not is_newer(own, receipt.summary):
            return receipt.summary, receipt.received_ns
        return own, None

    def _opened(self, entry: RoomEntry) -> Summary:
        """The summary in a room's folder; one whose bytes are those of the last look was verified then."""
        content = _content(entry)
        last = self._verified.get(entry.key)
        if last is None or last[0] != content:
            last = self._verified[entry.key] = (content, opened(content))
        return last[1]

    def _load(self) -> None:
        """Read the stored sightings, unless they are unchanged since the last read."""
        file = self.folder / SEEN
        try:
            status = file.stat()
            stamp = (status.st_mtime_ns, status.st_ino)
            if stamp != self._stamp:
                self._seen, self._stamp = dict(json.loads(file.read_text(encoding="utf-8"))), stamp
        except FileNotFoundError:
            self._seen, self._stamp = {}, None
        except (ValueError, TypeError) as error:
            raise StoreError(
                f"{file}: expected what the centre has seen of its rooms, found {error}. Move it away only "
                "after `stillroom verify` found every room intact: it is the witness of their journals."
            ) from error

    def _save(self) -> None:
        file = self.folder / SEEN
        replace_file(file, (json.dumps(self._seen, indent=1, ensure_ascii=False) + "\n").encode())
        status = file.stat()
        self._stamp = (status.st_mtime_ns, status.st_ino)


def _content(entry: RoomEntry) -> bytes:
    with (entry.data / FILE).open("rb") as file:
        return file.read(LARGEST_BYTES)


def _written_ns(entry: RoomEntry) -> int | None:
    """When the summary in a room's folder was written, by the clock of its disk; None: nobody can say."""
    try:
        return (entry.data / FILE).stat().st_mtime_ns
    except OSError:
        return None


def _facts(summary: Summary) -> dict[str, Any]:
    keys = ("name", "site", "custodian", "timezone", "simulated", "at_ns", "until_ns")
    return {**{name: summary.body[name] for name in keys}, "head": list(summary.head)}


def _went_back(seen: Mapping[str, Any], summary: Summary) -> str:
    """Why this record cannot be the one that was seen; "" where it can."""
    number, sha256 = int(seen["head"][0]), str(seen["head"][1])
    now, now_sha256 = summary.head
    if now < number:
        return (
            f"The record went back: its journal ends at entry {now}, and entry {number} was seen here. An "
            "older copy lies in its place, or entries were taken away."
        )
    if now == number and now_sha256 != sha256:
        return (
            f"The record went back: entry {number} of its journal is another one than was seen here. It was "
            "written anew from an older copy."
        )
    return ""


def _without(entry: RoomEntry, seen: Mapping[str, Any] | None, trouble: Trouble, why: str) -> RoomState:
    """A room of which nothing that it says now counts."""
    facts = seen or {"name": entry.name or entry.key, "site": "", "custodian": "", "timezone": "UTC"}
    return RoomState(
        entry.key,
        str(facts["name"]),
        str(facts["site"]),
        str(facts["custodian"]),
        trouble,
        why,
        "not shown",
        at_ns=None if seen is None else int(seen["at_ns"]),
        timezone=str(facts["timezone"]),
        simulated=bool(facts.get("simulated", False)),
    )


def _room_state(
    entry: RoomEntry, summary: Summary, now_ns: int, received_ns: int | None, written_ns: int | None
) -> RoomState:
    """A room by what it says. `received_ns`: when that came, which no clock of the room moves.

    `written_ns`: when it was written into the room's folder, by the clock of that disk.
    """
    body, until_ns = summary.body, summary.until_ns if received_ns is None else received_ns + HOLDS_NS
    if until_ns < now_ns:
        return _without(entry, _facts(summary), "silent", "")
    ahead_ns = summary.at_ns - (now_ns if received_ns is None else received_ns)
    if received_ns is None and ahead_ns <= 0:  # in a folder it may have lain for a while
        is_of_now = written_ns is not None and summary.at_ns < written_ns <= now_ns + CLOCK_NS
        ahead_ns = summary.at_ns - written_ns if is_of_now and written_ns is not None else 0
    if abs(ahead_ns) > HOLDS_NS:
        return _without(entry, _facts(summary), "silent", _doubtful(ahead_ns))
    zones = tuple(body["zones"])
    verdict = min((z["verdict"] for z in zones), key=_VERDICTS.index, default="not shown")
    return RoomState(
        entry.key,
        str(body["name"]),
        str(body["site"]),
        str(body["custodian"]),
        "",
        "",
        verdict,
        zones,
        int(body["alarms"]["active"]),
        int(body["alarms"]["waiting"]),
        tuple(body["silent_probes"]),
        tuple(body["due"]),
        summary.at_ns,
        str(body["timezone"]),
        ahead_ns / NS if abs(ahead_ns) > CLOCK_NS else 0.0,
        bool(body["simulated"]),
    )


def _doubtful(ahead_ns: int) -> str:
    way = "ahead of" if ahead_ns > 0 else "behind"
    return (
        f"Its clock is {abs(ahead_ns) / NS:.0f} s {way} this one: what it says may be of another time. Look "
        "at the clocks of both machines."
    )


def sites(states: Iterable[RoomState]) -> list[str]:
    """Every site that there is, by name."""
    return sorted({state.site for state in states if state.site})


def custodians(states: Iterable[RoomState]) -> list[str]:
    """Everybody who answers for a room, by name."""
    return sorted({state.custodian for state in states if state.custodian})


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
