"""The record of truth: hot rows in SQL, sealed months in Parquet, one journal over both."""

from .store import Store
from .types import Batch, ImportedFile, JournalEntry, Seal, SetupProposal, SetupVersion, Verification

__all__ = [
    "Batch",
    "ImportedFile",
    "JournalEntry",
    "Seal",
    "SetupProposal",
    "SetupVersion",
    "Store",
    "Verification",
]
