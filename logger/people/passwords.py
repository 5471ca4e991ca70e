"""Passwords: what is taken as one, and their digests by Argon2id (RFC 9106).

Length and nothing else is asked for, as in OWASP ASVS 4.0.3, 2.1.1, 2.1.2 and 2.1.9 (from memory):
at least 12 characters, at most 128, no rule about kinds of characters.
"""

from __future__ import annotations

import threading
import unicodedata
from functools import cache
from typing import TYPE_CHECKING

from ..errors import Refused

if TYPE_CHECKING:
    from argon2 import PasswordHasher

LEAST, MOST = 12, 128
_TURNS = threading.BoundedSemaphore(2)  # each takes 64 MiB: many strangers at once must not take all there is


def checked_password(password: str, *names: str) -> str:
    """The password in one normal form; Refused where it is too short, too long or the name itself."""
    text = _normal(password)
    if not LEAST <= len(text) <= MOST:
        raise Refused(
            f"password: expected {LEAST} to {MOST} characters, found {len(text)}; nothing was changed."
        )
    plain = text.casefold().replace(" ", "")
    if len(set(plain)) < 4 or any(plain == name.casefold().replace(" ", "") for name in names):
        raise Refused("password: expected one that is neither your name nor one repeated character.")
    return text


def digest(password: str) -> str:
    """What is stored; takes some 50 ms and 64 MiB on purpose."""
    return _hasher().hash(_normal(password))


def fits(password: str, digest_: str | None) -> bool:
    """Whether the password has that digest; takes as long where there is no digest to compare with."""
    if len(password) > 4 * MOST:
        return False
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        with _TURNS:
            return _hasher().verify(digest_ or _nobody(), _normal(password)) and digest_ is not None
    except (VerificationError, InvalidHashError):
        return False


def needs_renewal(digest_: str) -> bool:
    """Whether the digest was made with weaker parameters than today's."""
    return _hasher().check_needs_rehash(digest_)


@cache
def _hasher() -> PasswordHasher:
    """The library is loaded by those commands alone that ask for a password."""
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _nobody() -> str:
    return _hasher().hash("nobody has this password")


def _normal(password: str) -> str:
    """One spelling for what looks alike on any keyboard (NIST SP 800-63B, 5.1.1.2)."""
    return unicodedata.normalize("NFKC", password)
