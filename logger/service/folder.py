"""The folder that the service watches for files of loggers: what came in, and what was refused and why."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from ..imports import ImportResult, choose_profile, import_file, known_profiles
from ..imports.importer import plain_name, plain_text
from ..imports.watching import Folder, Outcome
from ..model import Config
from ..processes.deadline import BoundedCall
from ..store import Store

WHO = "watched folder"
LISTED_S = 30.0
Event = Callable[[str, Mapping[str, object]], None]


class WatchedFolder:
    """Looks at the folder of the setup in force; nothing happens where none is named."""

    def __init__(self, store: Store, clock: Callable[[], int]) -> None:
        self._store = store
        self._clock = clock
        self._folder: Folder | None = None
        self._listed = BoundedCall("listing the watched folder", LISTED_S)

    def turn(self, config: Config) -> None:
        """One look; Refused where the folder cannot be read, which the job loop journals."""
        plan = config.watch
        if plan is None:
            self._folder = None
            return
        if self._folder is None or self._folder.folder != Path(plan.folder):
            self._folder = Folder(Path(plan.folder), plan.quiet_s)
        # A share that hangs shows here, by name; what follows would wait for it without a message.
        self._listed.run(lambda _: [*Path(plan.folder).glob("*")])
        how = f"{config.setup.version} {plan.profile}"
        for outcome in self._folder.outcomes(lambda path: self._bring(path, config), time.monotonic(), how):
            if outcome.state == "refused":
                journal_refusal(self._store, outcome, WHO)

    def _bring(self, path: Path, config: Config) -> ImportResult:
        profiles = known_profiles(config.texts, self._store.imports.all())
        named = config.watch.profile if config.watch else ""
        profile = profiles[named] if named in profiles else choose_profile(path, profiles.values())
        return import_file(path, profile, self._store, config.setup, WHO, self._clock())


KIND = "import-refused"


_LOOKED_AT = 200  # newest entries of that kind


@dataclass(frozen=True)
class RefusedFile:
    """A file that was left outside, when and why."""

    name: str
    at_ns: int
    why: str


def journal_refusal(store: Store, outcome: Outcome, who: str) -> None:
    """Journal a refusal, unless the newest one of that file is the same: a restart repeats nothing."""
    name, why = plain_name(outcome.path), plain_text(outcome.why)
    newest = next((r for r in refused_files(store, include_imported=True) if r.name == name), None)
    if newest is None or newest.why != why:
        folder = plain_text(str(outcome.path.parent))
        store.journal.append(KIND, who, {"file": name, "folder": folder, "why": why})


def refused_files(store: Store, *, include_imported: bool = False) -> list[RefusedFile]:
    """Newest first, each name once; without `every` those that were not imported since."""
    brought = {file.name: file.at_ns for file in store.imports.all()}
    by_name: dict[str, RefusedFile] = {}
    for n, entry in enumerate(store.journal.entries(kind=KIND, newest_first=True)):
        if n >= _LOOKED_AT:
            break
        file = RefusedFile(str(entry.what["file"]), entry.at_ns, str(entry.what["why"]))
        if include_imported or brought.get(file.name, 0) < file.at_ns:
            by_name.setdefault(file.name, file)
    return list(by_name.values())
