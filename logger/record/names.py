"""Names in a record: whether an account proved who acted, or whether only a name was given.

The journal holds by which accounts an act came, each by its password or by a page that it was signed in to.
An act that no account of that name stands behind was done under a name that somebody gave. The program and
its folders act in nobody's name, and are printed as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, TypeAlias, TypedDict

from ..model.entry_forms import ImportEntry, MarkEntry, RecordEntry, SetupEntry
from ..people import People
from ..store.origin import ORIGIN

if TYPE_CHECKING:
    from ..store import JournalEntry, SetupVersion, Store

# Who writes to the journal without a person; a test holds them against the modules that do.
MACHINES = frozenset(
    {"stillroom", "service", "poll", "nobody", "watched folder", "folder inspections-in"}
    | {"self-test", "demo", "demo, in the place of a second person"}
)
GIVEN = "(name given)"
EXPLANATION = (
    f'Beside a name "{GIVEN}" means: the act was done under that name, and no account proved who did it. A '
    "name without it was proven by an account, with its password or on a page where it had signed in, or is "
    "that of the program or of one of its folders."
)
Proven: TypeAlias = bool | None


class VersionPeople(TypedDict):
    """Author and approver of a version of the setup, each with whether an account proved it."""

    author: str
    author_proven: Proven
    approver: str | None
    approver_proven: Proven


def person_text(row: Mapping[str, object], role: str) -> str:
    """The name under a key of a row of facts, as it stands on paper; a record of before does not say more.

    >>> person_text({"who": "Ruth Amsel", "proven": False}, "who")
    'Ruth Amsel (name given)'
    >>> person_text({"author": "Ruth Amsel", "author_proven": True}, "author")
    'Ruth Amsel'
    """
    proven = row.get("proven" if role in ("who", "by") else f"{role}_proven")
    return f"{row[role]} {GIVEN}" if proven is False else str(row[role])


class Names:
    """The names of one record against its accounts."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._persons = {account.name: account.person for account in People(store).all()}

    def proven(self, who: str, what: Mapping[str, object]) -> Proven:
        """Whether an account proved that this name acted, by what its entry says; None: no person acted."""
        way = what.get("through")
        return self._proven(who, way if isinstance(way, Mapping) else {})

    def proven_now(self, who: str) -> Proven:
        """Whether an account proved that this name acts, for an act that has no entry yet."""
        return self._proven(who, ORIGIN.get() or {})

    def proven_versions(self) -> dict[int, dict[str, Proven]]:
        """Of author and approver of each version of the setup; a first version is put in force by one act."""
        versions: dict[int, dict[str, Proven]] = {}
        for entry in self._entries("setup", "setup-proposed", "setup-approved"):
            what = entry.read(SetupEntry)
            of_version = versions.setdefault(what["version"], {})
            if entry.kind != "setup-approved":
                of_version["author_proven"] = self.proven(entry.who, what)
            if entry.kind != "setup-proposed":
                approver = what["approver"] if entry.kind == "setup" else entry.who
                of_version["approver_proven"] = self.proven(approver, what)
        return versions

    def proven_marks(self) -> dict[int, Proven]:
        """Of who marked, by the number of the mark."""
        return {e.read(MarkEntry)["mark"]: self.proven(e.who, e.what) for e in self._entries("mark")}

    def proven_records(self) -> dict[int, Proven]:
        """Of who issued, by the number of the record."""
        return {e.read(RecordEntry)["record"]: self.proven(e.who, e.what) for e in self._entries("record")}

    def proven_imports(self) -> dict[str, Proven]:
        """Of who brought a file in, by its SHA-256."""
        return {e.read(ImportEntry)["sha256"]: self.proven(e.who, e.what) for e in self._entries("import")}

    def proven_reviews(self) -> dict[int, Proven]:
        """Of who reviewed, by the number of the entry."""
        return {e.number: self.proven(e.who, e.what) for e in self._entries("review")}

    def _entries(self, *kinds: str) -> list[JournalEntry]:
        return [entry for kind in kinds for entry in self._store.journal.entries(kind=kind)]

    def _proven(self, who: str, way: Mapping[str, Any]) -> Proven:
        accounts = [name for name in str(way.get("account") or "").split(", ") if name]
        if any(who in (name, self._persons.get(name)) for name in accounts):
            return True
        return None if who in MACHINES else False


def version_people(version: SetupVersion, proven: Mapping[int, Mapping[str, Proven]]) -> VersionPeople:
    """Author and approver of a version of the setup, each with whether an account proved it."""
    of_version = proven.get(version.version, {})
    return {
        "author": version.who,
        "author_proven": of_version.get("author_proven", False),
        "approver": version.approver,
        "approver_proven": of_version.get("approver_proven", False),
    }
