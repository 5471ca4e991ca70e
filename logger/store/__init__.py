"""The record of truth: hot rows in SQL, sealed months in Parquet, one journal over both."""

from .store import Store
from .types import Batch, Entry, ImportedFile, Seal, SetupProposal, SetupVersion, Verification

__all__ = ["Batch", "Entry", "ImportedFile", "Seal", "SetupProposal", "SetupVersion", "Store", "Verification"]
