"""A wire between a driver and its peer that loses, delays and spoils what the peer says, or is cut."""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import threading
import time
from typing import Literal

Mode = Literal["", "silent", "late", "garbage"]


class Proxy:
    """Forwards 127.0.0.1:`port` to a peer, by UDP or TCP; answers of mode "late" come `late_s` late."""

    def __init__(
        self, peer: tuple[str, int], *, udp: bool, late_s: float, address: str = "127.0.0.1"
    ) -> None:
        self.peer, self.mode, self.late_s = peer, "", late_s
        self._udp, self._address, self.port = udp, address, 0
        self._cut = threading.Event()
        self._threads: list[threading.Thread] = []
        self.connect()

    def connect(self) -> None:
        """There, from now on, at the same port."""
        self._cut = threading.Event()
        kind = socket.SOCK_DGRAM if self._udp else socket.SOCK_STREAM
        front = socket.socket(socket.AF_INET, kind)
        if not self._udp:
            front.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        front.bind((self._address, self.port))
        self.port = front.getsockname()[1]
        if not self._udp:
            front.listen()
        self._start(self._datagrams if self._udp else self._accept, front, self._cut)

    def cut(self) -> None:
        """Gone: nothing is at the port any more, and what was connected is not."""
        self._cut.set()
        for thread in self._threads:
            thread.join(60)
        self._threads.clear()

    def _start(self, run: object, *arguments: object) -> None:
        thread = threading.Thread(target=run, args=arguments, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _datagrams(self, front: socket.socket, cut: threading.Event) -> None:
        back = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        client: tuple[str, int] | None = None
        due: list[tuple[float, bytes]] = []
        with front, back, selectors.DefaultSelector() as ready:
            for each in (front, back):
                each.setblocking(False)
                ready.register(each, selectors.EVENT_READ)
            while not cut.is_set():
                for key, _ in ready.select(0.01):
                    with contextlib.suppress(OSError):
                        data, sender = key.fileobj.recvfrom(65536)  # type: ignore[union-attr]
                        if key.fileobj is front:
                            client = sender
                            back.sendto(data, self.peer)
                        else:
                            due = sorted([*due, *self._delayed(data)])
                while due and due[0][0] <= time.monotonic():
                    if client is not None:
                        front.sendto(due[0][1], client)
                    due.pop(0)

    def _accept(self, front: socket.socket, cut: threading.Event) -> None:
        front.settimeout(0.05)
        with front:
            while not cut.is_set():
                with contextlib.suppress(OSError):
                    client, _ = front.accept()
                    self._start(self._stream, client, cut)

    def _stream(self, client: socket.socket, cut: threading.Event) -> None:
        due: list[tuple[float, bytes]] = []
        with client, selectors.DefaultSelector() as ready, contextlib.suppress(OSError):
            client.settimeout(5.0)
            with socket.create_connection(self.peer, 60) as back:
                ready.register(client, selectors.EVENT_READ)
                ready.register(back, selectors.EVENT_READ)
                while not cut.is_set():
                    for key, _ in ready.select(0.01):
                        data = key.fileobj.recv(65536)  # type: ignore[union-attr]
                        if not data:
                            return
                        if key.fileobj is client and self.mode != "silent":
                            back.sendall(data)
                        elif key.fileobj is back:
                            due += self._delayed(data)
                    while due and due[0][0] <= time.monotonic():
                        client.sendall(due.pop(0)[1])

    def _delayed(self, data: bytes) -> list[tuple[float, bytes]]:
        """What arrives of an answer, and when."""
        if self.mode == "silent":
            return []
        if self.mode == "garbage":
            return [(0.0, os.urandom(len(data)))]
        return [(time.monotonic() + (self.late_s if self.mode == "late" else 0.0), data)]
