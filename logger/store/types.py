"""What the store gives back: plain frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias, TypeVar, cast

from ..model.entry_forms import EntryForm

F = TypeVar("F", bound=EntryForm)
JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"


@dataclass(frozen=True)
class JournalEntry:
    """One entry of the journal. `sha256` covers the entry and the digest of the one before it."""

    number: int
    at_ns: int
    kind: str
    who: str
    what: Mapping[str, JSON]
    why: str
    sha256: str

    def read(self, form: type[F]) -> F:  # noqa: ARG002 (the form that mypy takes `what` for)
        """What it says, in the form of its kind; the chain proves that it stands as its writer left it."""
        return cast("F", self.what)


@dataclass(frozen=True)
class Batch:
    """Readings `first`..`last` (inclusive) of one writer, stored in one transaction.

    `number` is that of its journal entry. An append of no rows gives number 0 and last = first − 1.
    """

    number: int
    writer: str
    first: int
    last: int
    sha256: str

    @property
    def count(self) -> int:
        """How many readings."""
        return self.last - self.first + 1


@dataclass(frozen=True)
class Seal:
    """A file of the archive, closed for ever by journal entry `number`; `file` is relative to the folder."""

    number: int
    room: str
    from_ns: int
    to_ns: int
    file: str
    rows: int
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class SetupVersion:
    """One version of the setup as its files; `digest` is that of the canonical texts.

    `at_ns`: when it was approved. `correction`: it corrects an entry error, signed by two.
    """

    version: int
    at_ns: int
    who: str
    approver: str
    why: str
    texts: Mapping[str, str]
    digest: str
    proposed_ns: int = 0
    correction: bool = False


@dataclass(frozen=True)
class SetupProposal:
    """A version that was proposed against version `base`; `state` is waiting, approved or refused."""

    version: int
    at_ns: int
    who: str
    why: str
    base: int
    correction: bool
    texts: Mapping[str, str]
    digest: str
    state: str


@dataclass(frozen=True)
class ImportedFile:
    """A file that was imported; `original` is its bit-identical copy, relative to the folder."""

    sha256: str
    name: str
    at_ns: int
    original: str
    summary: Mapping[str, JSON]


@dataclass(frozen=True)
class Verification:
    """What a walk over the whole record found. `head` is number and digest of the newest entry.

    faults, unread: sentences about what is not as it was written, and what could not be read to be compared.

    compared, left_out: sentences about what was held against what, and what was not.
    """

    faults: tuple[str, ...]
    entries: int
    batches: int
    files: int
    readings: int
    head: tuple[int, str]
    disposed: tuple[str, ...] = ()  # files that two people let go: no faults
    compared: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def intact(self) -> bool:
        """Whether everything was read, and reads back as it was written."""
        return not self.faults and not self.unread
