"""What is printed, signed and handed out: issues of records, and a copy of the readings."""

from .contents import FORMAT
from .exporting import Exported, export
from .issuing import Issued, issue

__all__ = ["FORMAT", "Exported", "Issued", "export", "issue"]
