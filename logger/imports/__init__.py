"""Files of data loggers to stored readings: declared by a profile, proven by the whole file, or refused."""

from .choosing import choose_profile, known_profiles
from .comparison import Conflict
from .importer import ImportResult, import_content, import_file
from .profile import Profile, load_profile, profile_of

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
