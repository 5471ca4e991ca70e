"""An event loop in a thread of its own, for a library whose connection lives only while its loop runs."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine
from concurrent.futures import Future
from contextlib import suppress
from typing import Any, TypeVar

T = TypeVar("T")
_ENDING_S = 2.0


class LoopThread:
    """Runs coroutines for other threads, each within a time."""

    def __init__(self, name: str) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def run(self, work: Coroutine[Any, Any, T], seconds: float) -> T:
        """What it gives, or raises what it raises; TimeoutError where it has not ended in time."""
        future: Future[T] = asyncio.run_coroutine_threadsafe(_within(work, seconds), self._loop)
        try:
            return future.result(seconds + _ENDING_S)
        finally:
            future.cancel()

    def stop(self) -> None:
        """Ends what still runs, and the thread; waits for a moment at most."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_ENDING_S)

    def _run(self) -> None:
        try:
            self._loop.run_forever()
        finally:
            left = asyncio.all_tasks(self._loop)
            for task in left:
                task.cancel()
            with suppress(Exception):
                self._loop.run_until_complete(
                    asyncio.wait_for(asyncio.gather(*left, return_exceptions=True), 1)
                )
            self._loop.close()


async def _ended(tasks: set[asyncio.Task[Any]]) -> None:
    """Lets cancelled tasks end, and transports that were closed."""
    await asyncio.wait_for(asyncio.gather(*tasks, return_exceptions=True), _ENDING_S / 2)
    await asyncio.sleep(0)


async def _within(work: Coroutine[Any, Any, T], seconds: float) -> T:
    return await asyncio.wait_for(work, seconds)
