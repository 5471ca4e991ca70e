"""The daily backup, and the events when none is made or no restore is tried."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from ..instants import NS
from ..model import BackupPlan
from ..model.entry_forms import BackupReadEntry
from ..record.proof import altered_verdicts
from ..store import Store
from ..store.backup.scrub import PARTS, scrub

DAY_NS = 86_400 * NS
OLD_NS = 2 * DAY_NS
QUARTER_NS = 91 * DAY_NS
SCRUBBED = "backup-scrubbed"

Event = Callable[[str, Mapping[str, object]], None]


def daily(store: Store, plan: BackupPlan, event: Event, now_ns: int) -> None:
    """Back up as planned; a record found broken is an event, and so, by the job loop, is what raises."""
    from ..store.backup.backup import backup

    folder = Path(plan.folder)
    report = backup(store, folder, "service", now_ns, keep=plan.keep, also=altered_verdicts)
    if not report.intact:
        what = {"backup": report.backup, "folder": plan.folder, "count": len(report.faults)}
        event("backup-not-intact", {**what, "faults": list(report.faults[:20])})


def scrub_backups(store: Store, plan: BackupPlan | None, event: Event, now_ns: int) -> None:
    """Read a part of all backups again, another one each day; journalled, and an event where it is damaged.

    What is damaged among the files that backups share is taken away: the next backup copies it anew.
    """
    if plan is None or not Path(plan.folder).is_dir():
        return  # that it is away shows by the backup that could not be made
    part = now_ns // DAY_NS % PARTS
    read = scrub(Path(plan.folder), part)
    what: BackupReadEntry = {
        "folder": plan.folder,
        "part": part,
        "of": PARTS,
        "files": read.files,
        "bytes": read.size_bytes,
        "intact": not read.faults,
        "faults": list(read.sentences[:20]),
    }
    store.journal.append(SCRUBBED, "service", what)
    for path in read.damaged:
        path.unlink(missing_ok=True)
    if read.faults:
        facts = {"folder": plan.folder, "count": len(read.sentences), "faults": list(read.sentences[:20])}
        event("backup-damaged", facts)


def watch(store: Store, plan: BackupPlan | None, event: Event, now_ns: int) -> None:
    """Tell of a backup that is too old, and each quarter that restoring one should be tried."""
    if plan is None:
        return
    newest_ns = newest_backup_ns(store)
    age_ns = now_ns - (newest_ns or now_ns)
    if age_ns > OLD_NS:
        ever = _newest(store, "backup", intact=True) is not None
        what = {"folder": plan.folder, "days": round(age_ns / DAY_NS, 1), "ever": ever}
        event("backup-old", what)
    tried_ns = max(_newest(store, kind) or 0 for kind in ("restore-test", "restore-test-due", "store"))
    if now_ns - tried_ns > QUARTER_NS:
        store.journal.append("restore-test-due", "service", {"days": round((now_ns - tried_ns) / DAY_NS)})


def newest_backup_ns(store: Store) -> int | None:
    """When the newest backup that is intact was made; the record's begin where there was none yet."""
    return _newest(store, "backup", intact=True) or _newest(store, "store")


def damage(store: Store) -> str:
    """What was found wrong with backups since the newest one that is intact was made; empty: nothing."""
    made_ns = _newest(store, "backup", intact=True) or 0
    read = store.journal.entries(kind=SCRUBBED, newest_first=True, limit=2 * PARTS)
    parts = [entry.read(BackupReadEntry) for entry in read if entry.at_ns >= made_ns]
    wrong = [part for part in parts if part.get("intact") is False]
    return next(iter(wrong[0]["faults"]), "") if wrong else ""


def _newest(store: Store, kind: str, intact: bool = False) -> int | None:
    """When an entry of this kind was last made."""
    for entry in store.journal.entries(kind=kind, newest_first=True):
        if not intact or entry.what.get("intact") is True:
            return entry.at_ns
    return None
