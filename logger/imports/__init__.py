"""Files of data loggers to stored readings: declared by a profile, proven by the whole file, or refused."""

from .comparison import Conflict
from .importer import ImportResult, ImportStore, import_content, import_file
from .profile import Profile, choose_profile, load_profile, profile_of

__all__ = [
    "Conflict",
    "ImportResult",
    "ImportStore",
    "Profile",
    "choose_profile",
    "import_content",
    "import_file",
    "load_profile",
    "profile_of",
]
