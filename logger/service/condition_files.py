"""The conditions of each inspection as files for measuring programs that can only read files.

`KEY.json` and the others of that name are the newest answer, written when the inspection has ended, and again
when the verdict is final or another one; `KEY.revision-1.json` and so on stay as they were. `ready/ZONE.json`
says each minute whether an inspection may begin, and until when that may be believed. Each file is written
under another name, synced and renamed, so that a program never reads half of one.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from ..acts.inspections import inspections
from ..inspections.conditions import FORMS, Conditions, inspection_conditions
from ..inspections.readiness import ready
from ..inspections.revisions import issues
from ..instants import NS, rfc3339
from ..model import ConditionsPlan, Config, Inspection
from ..store import Store
from ..store.files import write_durably
from ..verdicts.verdicts import Verdicts

JOB = "files for measuring programs"
WAY = "file"
MOST_AT_ONCE = (
    20  # files of so many inspections in one turn, so that those that just ended are not kept waiting
)
READY = "ready"  # folder of the files that say whether an inspection may begin
READY_EVERY_NS = 60 * NS
READY_FOR_NS = 180 * NS  # so long such a file may be believed; older, nobody renews it
_LONGEST_STEM = 150  # bytes; the names of revisions are longer


def stem_of(key: str) -> str:
    """The name of an inspection's files without an ending: its key where a file system can hold that.

    >>> stem_of("I-2701"), stem_of("Gear/7 b"), stem_of("A.revision-1"), stem_of("..")
    ('I-2701', 'Gear%2F7%20b', 'A%2Erevision-1', '%2E.')
    """
    stem = quote(key, safe="").replace(".revision-", "%2Erevision-")
    stem = f"%2E{stem[1:]}" if stem.startswith(".") else stem
    if len(stem) <= _LONGEST_STEM:
        return stem
    from hashlib import sha256

    return f"{stem[:_LONGEST_STEM]}-{sha256(key.encode()).hexdigest()[:12]}"


class ConditionFiles:
    """Writes the files of one record; one turn after the other, by verdicts of its own."""

    def __init__(self, store: Store, config: Config) -> None:
        self._store = store
        self._coming: Config | None = None
        self._head: tuple[int, str] | None = None  # head of the journal at the last whole turn
        self._without_number: set[str] = set()  # written, though no revision of theirs is issued yet
        self._ready_ns = -READY_EVERY_NS
        self._take_over(config)

    def use(self, config: Config) -> None:
        """From the next turn on."""
        self._coming = config

    def turn(self, now_ns: int) -> list[str]:
        """Write what is new, what ended last first; the keys of those inspections.

        Nothing where the setup names no folder, or nothing was journalled since the last whole turn.
        """
        coming, self._coming = self._coming, None
        if coming is not None:
            self._take_over(coming)
        plan, head = self._plan, self._store.journal.head()
        if plan is None:
            return []
        folder = self._store.folder / plan.folder  # a whole path stays what it is
        if abs(now_ns - self._ready_ns) >= READY_EVERY_NS:
            self._write_ready(folder, now_ns)
        if head == self._head:
            return []
        written: list[str] = []
        for job in self._waiting(folder, plan):
            if len(written) == MOST_AT_ONCE:
                return written  # the next turn goes on
            conditions = inspection_conditions(self._verdicts, job, now_ns, WAY)
            write_conditions(folder, plan, job.key, conditions)
            if conditions.revision is None:
                self._without_number.add(job.key)
            written.append(job.key)
        self._head = head
        return written

    def _take_over(self, config: Config) -> None:
        self._plan, self._verdicts = config.conditions, Verdicts(self._store, config.setup)
        self._head, self._ready_ns = None, -READY_EVERY_NS
        self._without_number.clear()

    def _write_ready(self, folder: Path, now_ns: int) -> None:
        """Whether an inspection may begin now, for each zone: a file for programs that read only files."""
        for zone in self._verdicts.setup.zones_now():
            answer = ready(self._verdicts, zone.key, now_ns)
            body = answer.to_dict() | {
                "at": rfc3339(now_ns // NS * NS),
                "valid_until": rfc3339((now_ns + READY_FOR_NS) // NS * NS),
            }
            text = json.dumps(body, indent=2, ensure_ascii=False) + "\n"
            write_durably(folder / READY / f"{zone.key}.json", text.encode())
        self._ready_ns = now_ns

    def _waiting(self, folder: Path, plan: ConditionsPlan) -> Iterator[Inspection]:
        """Inspections that are over and whose newest revision is not in the folder."""
        revisions, zones = issues(self._store), self._verdicts.setup.zones
        ended = [job for job in inspections(self._store) if job.to_ns is not None and job.zone in zones]
        for job in sorted(ended, key=lambda j: j.to_ns or 0, reverse=True):
            of_job = revisions.get(job.key)
            if of_job is None:
                if job.key not in self._without_number:
                    yield job
            elif not all(_file(folder, job.key, form, of_job[-1].number).exists() for form in plan.forms):
                yield job


def write_conditions(folder: Path, plan: ConditionsPlan, key: str, conditions: Conditions) -> None:
    """Write every form of one inspection: that of its revision where there is none yet, and the newest."""
    for form in plan.forms:
        content = conditions.text(form, dcc=plan.dcc_schema, kelvin=plan.kelvin)
        if conditions.revision is not None:
            numbered = _file(folder, key, form, conditions.revision)
            if not numbered.exists():
                write_durably(numbered, content)
        newest = _file(folder, key, form)
        if not newest.exists() or newest.read_bytes() != content:
            write_durably(newest, content)


def _file(folder: Path, key: str, form: str, revision: int | None = None) -> Path:
    number = "" if revision is None else f".revision-{revision}"
    return folder / f"{stem_of(key)}{number}.{FORMS[form]}"
