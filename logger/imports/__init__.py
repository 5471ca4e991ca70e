"""Files of data loggers to stored readings: declared by a profile, proven by the whole file, or refused."""

from .importer import Conflict, ImportResult, ImportStore, import_file
from .profile import Profile, choose_profile, load_profile, profile_of

__all__ = [
    "Conflict",
    "ImportResult",
    "ImportStore",
    "Profile",
    "choose_profile",
    "import_file",
    "load_profile",
    "profile_of",
]
