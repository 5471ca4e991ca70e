"""How the service, the probes and the record are, each figure with the instant at which it was true.

Nothing here is judged; `word` is "no fault", or says what to check. An unknown is a fault.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from .. import __version__
from ..acts import alarms as attending
from ..config import in_force
from ..config.plug_ins import plug_in_changes, plug_in_sentence
from ..core.judge.statement import read_statements
from ..instants import NS, to_ns
from ..model import PluginLine, Setup
from ..model.entry_forms import SelfTestEntry
from ..probes.registry import forget_packages, is_foreign
from ..store import Store
from ..store.folder_check import open_to_others
from ..verdicts.verdicts import Verdicts
from . import heartbeat
from .archive_watch import ARCHIVE

SILENT_S = 60.0
LATE_S = 180  # of a zone that was not judged
BACKUP_S = 2 * 86_400.0
LATE_POLL_S = 1.0  # a poll so late, or by half of the shortest interval, is a fault (our choice, no source)
LATE_POLL = "polls begin late: other work on this machine, or a probe that answers slowly on a shared line"
FULL = 0.1  # share of the disk that must be free: less is a fault
GB = 1e9


@dataclass(frozen=True)
class HealthFigure:
    """One line: what it is about, its value in words, when that was true, and whether it has a fault."""

    group: str
    what: str
    value: str
    at_ns: int | None
    fault: str = ""

    @property
    def word(self) -> str:
        return self.fault or "no fault"


def health(store: Store, setup: Setup, now_ns: int) -> list[HealthFigure]:
    """Every figure, by group, in a fixed order."""
    return [
        *_service(heartbeat.read(store.folder), setup, now_ns),
        *_drivers(store, now_ns),
        *_zones(store, setup, now_ns),
        *_probes(store, setup, now_ns),
        *_record(store, now_ns),
    ]


def _service(beat: dict[str, Any] | None, setup: Setup, now_ns: int) -> Iterator[HealthFigure]:
    if beat is None:
        yield HealthFigure("Service", "heartbeat", "none", None, "the service has never run: stillroom run")
        return
    at_ns = to_ns(datetime.fromisoformat(str(beat["at"])))
    yield _heartbeat(bool(beat.get("stopped")), at_ns, now_ns)
    lost, failing = int(beat.get("readings_lost") or 0), dict(beat.get("failing") or {})
    failures = ", ".join(f"{job}: {why}" for job, why in failing.items())
    version = f"stillroom {beat.get('software', '?')}, setup {beat.get('setup', '?')}"
    yield HealthFigure("Service", "software", version, at_ns)
    waiting, trouble = str(beat.get("queue", "?")), str(beat.get("store_trouble") or "")
    yield HealthFigure("Service", "readings waiting to be stored", waiting, at_ns, trouble)
    yield HealthFigure("Service", "readings lost", str(lost), at_ns, "readings were lost" if lost else "")
    yield HealthFigure("Service", "failing jobs", str(len(failing)), at_ns, failures)
    yield from _sources(beat, setup, at_ns)


def _drivers(store: Store, now_ns: int) -> Iterator[HealthFigure]:
    """Packages that read probes, as they are on the disk now, against those that were approved."""
    versions = store.setups.versions()
    config = in_force(versions) if versions else None
    if config is None or not any(isinstance(line, PluginLine) for line in config.lines):
        return
    forget_packages()
    changes = plug_in_changes(config.texts, config.lines)
    for kind in sorted({line.kind for line in config.lines if isinstance(line, PluginLine)}):
        if is_foreign(kind) or kind in changes:
            fault = plug_in_sentence(changes[kind]) if kind in changes else ""
            yield HealthFigure(
                "Service", f"driver of {kind}", "changed" if fault else "as approved", now_ns, fault
            )


def _sources(beat: dict[str, Any], setup: Setup, at_ns: int) -> Iterator[HealthFigure]:
    """Clock, lines and brokers, from the service's newest heartbeat."""
    clock = str(beat.get("clock") or "not known")
    synced = {True: "synchronised by the system", False: "not synchronised by the system"}
    state = synced.get(beat.get("clock_synchronised"), "synchronisation not known")  # type: ignore[arg-type]
    if clock == "believed" and not beat.get("clock_synchronised"):
        state += " (not required by this setup)"
    yield HealthFigure("Service", "clock", state, at_ns, "" if clock == "believed" else clock)
    if (late := beat.get("late_ms")) is not None:
        yield _poll_delay(float(late), setup, at_ns)
    for url, age_s in dict(beat.get("buses") or {}).items():
        yield HealthFigure("Lines", url, f"last polled {age_s:g} s earlier", at_ns)
    for probe, why in dict(beat.get("probes_failing") or {}).items():
        yield HealthFigure(
            "Lines", f"probe {probe}", str(why), at_ns, "check the probe, its cable and its power"
        )
    for name, how in dict(beat.get("stuck") or {}).items():
        yield HealthFigure(
            "Lines", str(name), f"does not respond: {how}", at_ns, "check it; stillroom keeps trying"
        )
    for url, connected in dict(beat.get("brokers") or {}).items():
        yield HealthFigure(
            "Lines",
            url,
            "connected" if connected else "not connected",
            at_ns,
            "" if connected else "no connection to the broker",
        )


def _poll_delay(late_ms: float, setup: Setup, at_ns: int) -> HealthFigure:
    shortest_ms = 1000 * min((c.interval_s for c in setup.channels.values()), default=LATE_POLL_S)
    fault = "" if late_ms <= min(1000 * LATE_POLL_S, shortest_ms / 2) else LATE_POLL
    text = f"{late_ms:g} ms" if late_ms < 1000 else f"{late_ms / 1000:.1f} s"
    return HealthFigure("Service", "poll delay, 99th percentile", text, at_ns, fault)


def _heartbeat(stopped: bool, at_ns: int, now_ns: int) -> HealthFigure:
    if stopped:
        return HealthFigure("Service", "heartbeat", "stopped", at_ns, "the service was stopped")
    late = (now_ns - at_ns) / NS > SILENT_S
    fault = "no heartbeat: check that the service is running" if late else ""
    return HealthFigure("Service", "heartbeat", "received", at_ns, fault)


def _zones(store: Store, setup: Setup, now_ns: int) -> Iterator[HealthFigure]:
    verdicts = Verdicts(store, setup)
    live = read_statements(store.verdict_cache.live())
    for zone in setup.zones_now():
        until_ns = verdicts.stored_until(zone.key)
        late = until_ns is None or now_ns - until_ns > LATE_S * NS
        until = "never" if until_ns is None else "up to date"
        yield HealthFigure(
            "Judging", f"{zone.name}, verdict up to", until, until_ns, "no recent verdict" if late else ""
        )
        if (body := live.get(zone.key)) is not None and "forecast" in body:
            yield HealthFigure("Judging", f"{zone.name}, forecast", str(body["forecast"]), until_ns)


def _probes(store: Store, setup: Setup, now_ns: int) -> Iterator[HealthFigure]:
    newest, answered, read = store.readings.newest(ok=True), store.readings.newest(), _read_here(store)
    for key, channel in setup.channels.items():
        if setup.position_at(key, now_ns) is None:
            continue
        row, last = newest.get(key), answered.get(key)
        if row is None:
            yield HealthFigure("Probes", key, "never read", None, "no reading yet")
        elif channel.probe not in read and row.source.startswith("import"):
            yield HealthFigure("Probes", key, "from files; time of the newest reading", row.taken_ns)
        else:
            late = (now_ns - row.taken_ns) / NS > channel.max_age_s
            why = f"silent: {last.status}" if last is not None and last.status != "ok" else "silent"
            yield HealthFigure(
                "Probes", key, f"every {channel.interval_s:g} s", row.taken_ns, why if late else ""
            )
    yield from _clocks(store, setup)


def _read_here(store: Store) -> set[str]:
    """Probes that have a connection in the configuration in force; the others can come by files alone."""
    versions = store.setups.versions()
    return {line.probe for line in in_force(versions).lines} if versions else set()


def _clocks(store: Store, setup: Setup) -> Iterator[HealthFigure]:
    """By how much the probes' own clocks were ahead when they were last compared."""
    for probe in setup.probes:
        if compared := store.clocks.comparisons(probe):
            last = compared[-1]
            offset = f"{last.offset_ns / NS:+.1f} s, corrected when read back"
            yield HealthFigure("Probes", f"own clock of {probe}", offset, last.clock_ns - last.offset_ns)


def _record(store: Store, now_ns: int) -> Iterator[HealthFigure]:
    number, digest = store.journal.head()
    yield HealthFigure("Record", "journal head", f"entry {number}, {digest[:16]}…", now_ns)
    usage = shutil.disk_usage(store.folder)
    free = f"{usage.free / GB:.1f} GB of {usage.total / GB:.1f} GB free"
    full = "disk nearly full" if usage.free < FULL * usage.total else ""
    yield HealthFigure("Record", "disk", free, now_ns, full)
    others = open_to_others(store.folder)
    rights = f"other accounts can read it: chmod -R go-rwx {store.folder}" if others else ""
    readers = "other accounts of this machine" if others else "owner only"
    yield HealthFigure("Record", "data folder readable by", readers, now_ns, rights)
    size = sum(f.stat().st_size for f in _files(store.folder))
    yield HealthFigure("Record", "size of the data", f"{size / 1e6:.1f} MB", now_ns)
    seals = store.archive.seals()
    yield HealthFigure("Record", "sealed files", str(len(seals)), seals[-1].to_ns if seals else None)
    yield from _archive(store)
    yield _backup(store, now_ns)
    yield from _proofs(store)
    tried = store.journal.search(kinds=("restore-test",), limit=1)
    at_ns = tried[0].at_ns if tried else None
    remedy = "" if tried else "no restore test yet: stillroom restore --help"
    yield _validation(store)
    yield HealthFigure("Record", "last restore test", "done" if tried else "none", at_ns, remedy)


def _archive(store: Store) -> Iterator[HealthFigure]:
    """Where the sealed files are, if not in the data folder, and whether the service reached them."""
    if store.archive.content.is_own:
        return
    beat: dict[str, Any] = heartbeat.read(store.folder) or {}
    failing = dict(beat.get("failing") or {})
    why = str(failing.get(ARCHIVE, ""))
    at_ns = to_ns(datetime.fromisoformat(str(beat["at"]))) if beat else None
    word = f"away; readings are taken and judged all the same: {why}" if why else ""
    word = word if beat else "not tried yet: the service has never run"
    yield HealthFigure(
        "Record", f"archive {store.archive.content.place.address}", "sealed files", at_ns, word
    )


def _validation(store: Store) -> HealthFigure:
    """Whether the version that runs was validated on this record: the last self-test that was journalled."""
    entries = store.journal.search(kinds=("selftest",), limit=1)
    prompt = "run: stillroom selftest --data DIR"
    if not entries:
        return HealthFigure("Record", f"self-test of stillroom {__version__}", "none", None, prompt)
    what = entries[0].read(SelfTestEntry)
    scope = f"of {what.get('version')}, {what.get('cases')} cases"
    fault = "" if what.get("version") == __version__ else f"another version is running; {prompt}"
    fault = fault if what.get("passed") is True else "FAILED: do not rely on any verdict"
    return HealthFigure("Record", f"self-test of stillroom {__version__}", scope, entries[0].at_ns, fault)


def _proofs(store: Store) -> Iterator[HealthFigure]:
    """When each way of notices was last seen to work."""
    for route, at_ns in sorted(attending.outbox(store).receipts().items()):
        yield HealthFigure("Notices", f"last delivery by {route}", "delivered", at_ns)


def _files(folder: Path) -> Iterator[Path]:
    yield from (f for f in folder.rglob("*") if f.is_file())


def _backup(store: Store, now_ns: int) -> HealthFigure:
    entries = store.journal.search(kinds=("backup",), limit=1)
    if not entries:
        return HealthFigure("Record", "last backup", "none", None, "no backup yet: stillroom backup --to DIR")
    if entries[0].what.get("intact") is not True:
        return HealthFigure("Record", "last backup", "not intact", entries[0].at_ns, "not intact")
    old = "older than two days" if (now_ns - entries[0].at_ns) / NS > BACKUP_S else ""
    return HealthFigure("Record", "last backup", "intact", entries[0].at_ns, old)
