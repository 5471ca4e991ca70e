"""Links in mails by which a person acknowledges one occurrence of one alarm: signed, used once, not for ever.

The token says what may be done, by whom and until when, and is signed with the key of the data folder. It is
used up when the alarm does not wait for that notice any more: a link that comes back from an old mail, or
is opened a second time, finds nothing to do. Opening it only shows; the act is a second step.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from ..errors import Refused
from ..instants import NS
from ..store.secret import secret_key

LASTS_NS = 3 * 86_400 * NS
_PURPOSE = b"stillroom acknowledge by mail 1"
LONGEST = 2000  # characters of a token that is looked at


@dataclass(frozen=True)
class Permit:
    """What the holder of a link may do; `until_ns` is when it ends."""

    alarm: str
    occurrence: int
    step: str
    who: str
    until_ns: int


def link(folder: Path, pages: str, permit: Permit) -> str:
    """The address that a mail carries."""
    return f"{pages}/acknowledge/{sign_permit(folder, permit)}"


def sign_permit(folder: Path, permit: Permit) -> str:
    """A permit as a token."""
    body = json.dumps(asdict(permit), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    return f"{_text(body)}.{_text(_mac(folder, body))}"


def read_permit(folder: Path, token: str, now_ns: int) -> Permit:
    """The permit of a token; Refused for one that is not ours, was changed, or is too old."""
    body_text, _, mac_text = token[:LONGEST].partition(".")
    try:
        body, mac = _bytes(body_text), _bytes(mac_text)
    except (ValueError, binascii.Error):
        raise Refused("This link is damaged; open it from the mail again.") from None
    if not hmac.compare_digest(mac, _mac(folder, body)):
        raise Refused("This link was not made by this room's service, or it was changed on its way.")
    permit = Permit(**json.loads(body))
    if now_ns > permit.until_ns:
        raise Refused("This link is too old; acknowledge the alarm on page Now.")
    return permit


def _mac(folder: Path, body: bytes) -> bytes:
    key = hmac.new(secret_key(folder), _PURPOSE, hashlib.sha256).digest()
    return hmac.new(key, body, hashlib.sha256).digest()


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
