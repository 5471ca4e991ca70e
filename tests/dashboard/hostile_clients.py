"""Clients that are slow, silent, broken or greedy.

`python -m tests.dashboard.hostile_clients PORT SECONDS [TLS]`.
Each comes again as often as it is put out. They run in a process of their own, so that what a visitor
waits for is the server and not them; the process ends with its standard input, too.
"""

from __future__ import annotations

import asyncio
import os
import ssl
import sys
import threading
from collections.abc import Awaitable, Callable
from contextlib import suppress

HEAD = b"Host: 127.0.0.1\r\n"
Pair = tuple[asyncio.StreamReader, asyncio.StreamWriter]
Client = Callable[["Target"], Awaitable[None]]


class Target:
    """Where to connect, over TLS or plainly."""

    def __init__(self, port: int, tls: bool) -> None:
        self.port, self.context = port, None
        if tls:
            self.context = ssl.create_default_context()
            self.context.check_hostname, self.context.verify_mode = False, ssl.CERT_NONE

    async def raw(self) -> Pair:
        """A connection on which no TLS is spoken."""
        return await asyncio.open_connection("127.0.0.1", self.port, limit=1 << 14)

    async def open(self) -> Pair:
        """A connection on which HTTP can be spoken."""
        return await asyncio.open_connection("127.0.0.1", self.port, ssl=self.context, limit=1 << 14)


async def silent(target: Target) -> None:
    """Connects and says nothing, not even a TLS greeting."""
    reader, _ = await target.raw()
    await reader.read()


async def slow_head(target: Target) -> None:
    """A byte of a header every half second."""
    reader, writer = await target.open()
    writer.write(b"GET / HTTP/1.1\r\n" + HEAD)
    while not reader.at_eof():
        writer.write(b"X-A: b\r\n")
        await asyncio.gather(writer.drain(), asyncio.sleep(0.5))


async def slow_body(target: Target) -> None:
    """A form that comes in bytes."""
    reader, writer = await target.open()
    writer.write(b"POST /sign-in HTTP/1.1\r\n" + HEAD + b"Content-Length: 100000\r\n\r\n")
    while not reader.at_eof():
        writer.write(b"x")
        await asyncio.gather(writer.drain(), asyncio.sleep(0.5))


async def deaf(target: Target) -> None:
    """Asks for much, again and again, and fetches none of it."""
    _, writer = await target.open()
    for _ in range(20):
        writer.write(b"GET /sign-in HTTP/1.1\r\n" + HEAD + b"\r\n")
        await writer.drain()
    await asyncio.sleep(600)


async def broken(target: Target) -> None:
    """What is no HTTP, or stops in the middle."""
    for expected in (
        b"\x16\x03\x01\x02\x00\x01",
        b"GET",
        b"\0" * 5000,
        b"GET / HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
    ):
        _, writer = await target.raw()
        writer.write(expected)
        await writer.drain()
        writer.transport.abort()
    _, writer = await target.open()
    writer.write(b"GET / HTTP/1.1\r\n" + HEAD + b"X: " + b"y" * 200_000)
    await writer.drain()
    writer.close()


async def greedy(target: Target) -> None:
    """One request after the other, as fast as they are answered."""
    reader, writer = await target.open()
    while True:
        writer.write(b"GET /sign-in HTTP/1.1\r\n" + HEAD + b"\r\n")
        await writer.drain()
        if not await reader.read(1 << 14):
            return


async def large(target: Target) -> None:
    """Uploads that nobody asked for."""
    _, writer = await target.open()
    writer.write(b"POST /sign-in HTTP/1.1\r\n" + HEAD + b"Content-Length: 60000000\r\n\r\n")
    for _ in range(1000):
        writer.write(b"x" * 60_000)
        await asyncio.gather(writer.drain(), asyncio.sleep(0.05))


KINDS: tuple[tuple[Client, int], ...] = (
    *((silent, 300), (slow_head, 150), (slow_body, 100)),
    *((deaf, 60), (broken, 10), (greedy, 8), (large, 4)),
)


async def again(kind: Client, target: Target) -> None:
    """This client for ever."""
    while True:
        with suppress(OSError, EOFError, ssl.SSLError):
            await kind(target)
        await asyncio.sleep(0.2)


async def campaign(port: int, seconds: float, tls: bool) -> None:
    """All of them at once."""
    target = Target(port, tls)
    tasks = [asyncio.create_task(again(kind, target)) for kind, count in KINDS for _ in range(count)]
    await asyncio.wait(tasks, timeout=seconds)


def _leave_with_parent() -> None:
    def watch() -> None:
        while os.read(0, 4096):
            pass
        os._exit(0)

    threading.Thread(target=watch, daemon=True).start()


if __name__ == "__main__":
    _leave_with_parent()
    print("attacking", flush=True)
    asyncio.run(campaign(int(sys.argv[1]), float(sys.argv[2]), len(sys.argv) > 3))
    os._exit(0)
