"""What is printed, signed and handed out: issues of records, reviews, and a copy of the readings."""

from .at_instant import state_at
from .conditions import conditions
from .draft import draft
from .export import ExportFiles, export
from .facts import FORMAT
from .issuance import IssuedRecord, issue
from .issues import RecordIssue, amend, issue_of, issues
from .record_months import RecordMonth, month_of, overlapping, record_months, refuse_overlapping

__all__ = [
    "FORMAT", "ExportFiles", "IssuedRecord", "RecordIssue", "RecordMonth", "amend", "conditions", "draft",
    "export", "issue", "issue_of", "issues", "month_of", "overlapping", "record_months", "refuse_overlapping",
    "state_at",
]  # fmt: skip
