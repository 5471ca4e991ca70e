"""A report of studies, issued: numbered, signed, kept in the record with its answers, journalled.

The folder `studies/000001` holds the PDF, the answers as JSON, the list of their digests and its signature.
The journal names every file, so that `verify` finds one that is gone or altered.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..instants import rfc3339
from ..model import Setup
from ..model.entry_forms import StudyReportEntry
from ..record.signatures import digests, sealed_by, signing_key
from ..store import Store
from ..store.files import write_durably
from ..store.types import JSON
from .report import report_pdf
from .study import Study

KIND = "study-report"
FOLDER = "studies"


@dataclass(frozen=True)
class IssuedReport:
    """One issue: number, zone, folder in the record, files with their SHA-256, question -> digest."""

    number: int
    zone: str
    folder: Path
    files: Mapping[str, str]
    answers: Mapping[str, str]
    who: str
    at_ns: int

    @property
    def pdf(self) -> Path:
        """The report itself."""
        return self.folder / next(name for name in self.files if name.endswith(".pdf"))


def issue_report(store: Store, setup: Setup, studies: Sequence[Study], who: str, now_ns: int) -> IssuedReport:
    """Issue the report of these studies, all of one zone; equal studies and numbers give equal bytes."""
    zone, key = studies[0].request.zone, signing_key(store, who)
    number = len(store.journal.entries(kind=KIND)) + 1
    stem = f"{'SIMULATED-' if setup.room.simulated else ''}study-{number:06d}-{zone}"
    answers = json.dumps([study.to_dict() for study in studies], indent=1, ensure_ascii=False) + "\n"
    files = {f"{stem}.pdf": report_pdf(studies, setup, number), f"{stem}.json": answers.encode()}
    files |= sealed_by(key, stem, files)
    folder = store.folder / FOLDER / f"{number:06d}"
    shutil.rmtree(folder, ignore_errors=True)  # of a run that was cut off before it was journalled
    for name, content in files.items():
        write_durably(folder / name, content)
    named: dict[str, JSON] = dict(digests(files))
    answers_by_question: dict[str, JSON] = {study.request.question: study.digest for study in studies}
    what: dict[str, JSON] = {"report": number, "zone": zone, "at": rfc3339(now_ns // 10**9 * 10**9)}
    store.journal.append(KIND, who, {**what, "files": named, "answers": answers_by_question})
    return next(item for item in issued_reports(store) if item.number == number)


def issued_reports(store: Store, zone: str | None = None) -> list[IssuedReport]:
    """Every report that was issued, oldest first."""
    reports = []
    for entry in store.journal.entries(kind=KIND):
        what = entry.read(StudyReportEntry)
        folder = store.folder / FOLDER / f"{what['report']:06d}"
        report = IssuedReport(
            what["report"], what["zone"], folder, what["files"], what["answers"], entry.who, entry.at_ns
        )
        reports += [report] if zone in (None, report.zone) else []
    return reports
