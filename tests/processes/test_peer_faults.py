"""What the log says of a peer that fails: who it is and where to look, in words.

The errors are those that the operating system and OpenSSL raised where no other peer is named.
"""

from __future__ import annotations

import errno
import os
import smtplib
import socket
import ssl
from http.client import RemoteDisconnected

import pytest

from logger.processes.peer_faults import peer_fault

PEER = "mail server 192.0.2.7:25"


def refused() -> Exception:
    """By the system itself: nobody listens at a port that was just let go of."""
    with socket.socket() as place:
        place.bind(("127.0.0.1", 0))
        port = place.getsockname()[1]
    with pytest.raises(ConnectionRefusedError) as error:
        socket.create_connection(("127.0.0.1", port), 10).close()
    return error.value


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (refused(), "refuses the connection"),
        (TimeoutError("timed out"), "does not answer"),
        (ConnectionResetError(errno.ECONNRESET, os.strerror(errno.ECONNRESET)), "broke the connection off"),
        (RemoteDisconnected("Remote end closed connection without response"), "broke the connection off"),
        (socket.gaierror(-2, "Name or service not known"), "is not known by that name"),
        (OSError(errno.EHOSTUNREACH, os.strerror(errno.EHOSTUNREACH)), "cannot be reached"),
        (ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER] wrong version number"), "does not speak TLS"),
        (smtplib.SMTPServerDisconnected("Connection unexpectedly closed"), "Connection unexpectedly closed"),
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), os.strerror(errno.ENOSPC)),
        (OSError(), "the connection ended"),
    ],
)
def test_a_fault_of_a_peer_is_a_clause(error: Exception, words: str) -> None:
    message = peer_fault(PEER, error)
    assert message.startswith(PEER)
    assert words in message
    assert "Errno" not in message
    assert type(error).__name__ not in message
