"""The folder that the service watches for files of loggers: what came in, and what was refused and why."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path

from ..deadline import Errand
from ..imports import ImportResult, choose_profile, import_file, known_profiles
from ..imports.watching import Folder
from ..incoming_files import tell_refused
from ..model import Config
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
        self._listed = Errand("listing the watched folder", LISTED_S)

    def turn(self, config: Config) -> None:
        """One look; Refused where the folder cannot be read, which the job loop tells."""
        plan = config.watch
        if plan is None:
            self._folder = None
            return
        if self._folder is None or self._folder.folder != Path(plan.folder):
            self._folder = Folder(Path(plan.folder), plan.quiet_s)
        # A share that hangs is found by this, and named; what follows would wait for it without a word.
        self._listed.run(lambda _: [*Path(plan.folder).glob("*")])
        how = f"{config.setup.version} {plan.profile}"
        for one in self._folder.outcomes(lambda path: self._bring(path, config), time.monotonic(), how):
            if one.state == "refused":
                tell_refused(self._store, one, WHO)

    def _bring(self, path: Path, config: Config) -> ImportResult:
        profiles = known_profiles(config.texts, self._store.imports())
        named = config.watch.profile if config.watch else ""
        profile = profiles[named] if named in profiles else choose_profile(path, profiles.values())
        return import_file(path, profile, self._store, config.setup, WHO, self._clock())
