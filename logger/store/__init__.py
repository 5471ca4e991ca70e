"""The record of truth: hot rows in SQL, sealed months in Parquet, one journal over both."""

from .facts import Batch, Entry, ImportedFile, Seal, SetupProposal, SetupVersion, Verification
from .store import Store

__all__ = ["Batch", "Entry", "ImportedFile", "Seal", "SetupProposal", "SetupVersion", "Store", "Verification"]
