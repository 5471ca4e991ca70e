"""The self-test: shipped reference cases with their sources, run on this machine, and a report of them."""

from .report import Report, as_text, selftest
from .report_pdf import report_files

__all__ = ["Report", "as_text", "report_files", "selftest"]
