"""What is printed, signed and handed out: issues of records, reviews, and a copy of the readings."""

from .at_instant import state_at
from .conditions import conditions
from .export import ExportFiles, export
from .facts import FORMAT
from .issuance import IssuedRecord, issue
from .issues import RecordIssue, amend, issue_of, issues

__all__ = [
    "FORMAT", "ExportFiles", "IssuedRecord", "RecordIssue", "amend", "conditions", "export", "issue",
    "issue_of", "issues", "state_at",
]  # fmt: skip
