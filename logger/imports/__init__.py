"""Files of data loggers to stored readings: declared by a profile, proven by the whole file, or refused.

Each name is imported at its first use: a setup needs the profiles, not what reads a file by them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .choosing import choose_profile, known_profiles
    from .comparison import Conflict
    from .importer import ImportResult, import_content, import_file
    from .profile import Profile
    from .profile_file import load_profile, profile_of

__all__ = [
    "Conflict",
    "ImportResult",
    "Profile",
    "choose_profile",
    "import_content",
    "import_file",
    "known_profiles",
    "load_profile",
    "profile_of",
]

_NAMES = {
    "choosing": ("choose_profile", "known_profiles"),
    "comparison": ("Conflict",),
    "importer": ("ImportResult", "import_content", "import_file"),
    "profile": ("Profile",),
    "profile_file": ("load_profile", "profile_of"),
}
_MODULE_OF = {name: module for module, names in _NAMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_MODULE_OF[name]}", __name__), name)
