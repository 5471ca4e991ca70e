"""What is printed, signed and handed out: issues of records, reviews, and a copy of the readings."""

from .contents import FORMAT
from .exporting import Exported, export
from .issuing import Issued, issue
from .listing import Listed, amend, issue_of, issues
from .moment import state_at
from .stated import conditions

__all__ = [
    "FORMAT", "Exported", "Issued", "Listed", "amend", "conditions", "export", "issue", "issue_of", "issues",
    "state_at",
]  # fmt: skip
