"""The self-test: shipped reference cases with their sources, run on this machine, and a report of them."""

from .paper import report_files
from .running import Report, as_text, selftest

__all__ = ["Report", "as_text", "report_files", "selftest"]
