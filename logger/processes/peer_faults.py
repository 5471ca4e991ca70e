"""What a peer on the network did, in words for the person who reads the log, and where to look."""

from __future__ import annotations

import errno
import socket
import ssl

_WORDS: tuple[tuple[type[OSError], str], ...] = (
    (ConnectionRefusedError, "refuses the connection; see whether its service runs, and its port"),
    (ConnectionResetError, "broke the connection off"),
    (BrokenPipeError, "broke the connection off"),
    (ConnectionAbortedError, "broke the connection off"),
    (TimeoutError, "does not answer; see whether it runs, and the network between"),
)
_NO_WAY = frozenset({errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EHOSTDOWN})


def one_line(text: str, most: int = 200) -> str:
    """What a peer said, as part of a line: nothing that would move a cursor, and no more than fits.

    >>> one_line("no such user\\r\\n\\x1b[31mhere ")
    'no such user [31mhere'
    """
    words = " ".join("".join(c if c.isprintable() else " " for c in text[: 20 * most]).split())
    return words if len(words) <= most else f"{words[: most - 1]}…"


def peer_fault(peer: str, error: Exception) -> str:
    """One clause, the peer first: no class of an exception and no number of an error.

    >>> peer_fault("mail server 192.0.2.7:25", ConnectionRefusedError(111, "Connection refused"))
    'mail server 192.0.2.7:25 refuses the connection; see whether its service runs, and its port'
    """
    if isinstance(error, socket.gaierror):
        return f"{peer} is not known by that name; see its name, and the name service of this machine"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"{peer} shows a certificate that does not hold: {error.verify_message.rstrip('.')}"
    if isinstance(error, ssl.SSLError):
        reason = (getattr(error, "reason", None) or str(error)).replace("_", " ").lower()
        return f"{peer} does not speak TLS as expected: {reason}"
    for kind, words in _WORDS:
        if isinstance(error, kind):
            return f"{peer} {words}"
    if isinstance(error, OSError) and error.errno in _NO_WAY:
        return f"{peer} cannot be reached from this machine; see its network"
    text = (isinstance(error, OSError) and error.strerror) or str(error) or "the connection ended"
    return f"{peer}: {one_line(text)}"
