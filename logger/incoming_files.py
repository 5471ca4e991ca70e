"""What became of the files of a watched folder, as the journal keeps it: refused, and why."""

from __future__ import annotations

from dataclasses import dataclass

from .imports.importer import plain_name, plain_text
from .imports.watching import Outcome
from .store import Store

KIND = "import-refused"
_LOOKED_AT = 200  # newest entries of that kind


@dataclass(frozen=True)
class RefusedFile:
    """A file that was left outside, when and why."""

    name: str
    at_ns: int
    why: str


def tell_refused(store: Store, outcome: Outcome, who: str) -> None:
    """Journal a refusal, unless the newest one of that file says the same: a restart tells nothing twice."""
    name, why = plain_name(outcome.path), plain_text(outcome.why)
    newest = next((r for r in refused_files(store, every=True) if r.name == name), None)
    if newest is None or newest.why != why:
        folder = plain_text(str(outcome.path.parent))
        store.journal.append(KIND, who, {"file": name, "folder": folder, "why": why})


def refused_files(store: Store, *, every: bool = False) -> list[RefusedFile]:
    """Newest first, each name once; without `every` those that were not imported since."""
    brought = {one.name: one.at_ns for one in store.imports()}
    found: dict[str, RefusedFile] = {}
    for n, entry in enumerate(store.journal.entries(kind=KIND, newest_first=True)):
        if n >= _LOOKED_AT:
            break
        one = RefusedFile(str(entry.what["file"]), entry.at_ns, str(entry.what["why"]))
        if every or brought.get(one.name, 0) < one.at_ns:
            found.setdefault(one.name, one)
    return list(found.values())
