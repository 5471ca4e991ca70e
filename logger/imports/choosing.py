"""Which profile reads a file: one of the setup, or one that was used before and is kept with that import."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol

from ..errors import ConfigError, ImportRefused
from .profile import Profile
from .profile_file import profile_of


class _Imported(Protocol):
    @property
    def summary(self) -> Mapping[str, Any]: ...


def known_profiles(texts: Mapping[str, str], imported: Iterable[_Imported] = ()) -> dict[str, Profile]:
    """Profiles by name: those of the setup's files, and the newest of each other name that an import used."""
    profiles: dict[str, Profile] = {}
    for entry in imported:
        text = entry.summary.get("profile_text")
        if isinstance(text, str):
            try:
                used = profile_of("profile of an import", text)
            except ConfigError:
                continue  # of a version that knew other keys
            profiles[used.name] = used
    of_setup = {name: profile_of(name, text) for name, text in texts.items() if name.startswith("profiles/")}
    names = {profile.name for profile in of_setup.values()}
    unambiguous = {name: profile for name, profile in profiles.items() if name not in names}
    return {Path(name).stem: profile for name, profile in of_setup.items()} | unambiguous


def choose_profile(path: Path, profiles: Iterable[Profile]) -> Profile:
    """The one profile whose `files` patterns fit the name of a file; ImportRefused for none or several."""
    every_name = list(profiles)
    fitting = [p for p in every_name if any(fnmatch.fnmatchcase(path.name, pattern) for pattern in p.files)]
    if len(fitting) == 1:
        return fitting[0]
    names = ", ".join(p.name for p in (fitting or every_name)) or "none"
    which = "Several profiles fit" if fitting else "No profile fits"
    raise ImportRefused(
        f"{which} the name {path.name!r}: {names}. Choose one with --profile, or correct `files`; `stillroom "
        f"import {path.name} --describe --out profile.toml` writes one to start from."
    )
