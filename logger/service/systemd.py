"""Messages to systemd by its own small protocol (sd_notify(3)); without systemd none is sent."""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def notify(message: str) -> bool:
    """Sends lines such as READY=1; whether there was somebody to send them to."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return False
    where = "\0" + address[1:] if address.startswith("@") else address
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.connect(where)
        out.sendall(message.encode())
        return True
    return False


def watchdog_s() -> float | None:
    """Seconds within which systemd expects a message, if this process is the one that it watches."""
    interval, pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if not interval.isdigit() or (pid and pid != str(os.getpid())):
        return None
    return int(interval) / 1e6
