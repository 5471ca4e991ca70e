"""Workers that serve the addresses in turn, so that no client who asks for much delays the others."""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from typing import Any

from waitress.task import ThreadedTaskDispatcher

THREADS_OF_ADDRESS = 3  # at a time


class Turns:
    """Requests that wait, in the form of a deque: the addresses take turns.

    One address has at most so many workers at a time. What it asks for more waits, also while a worker is
    idle: each busy worker delays the thread that reads all sockets, and so every visitor.
    """

    def __init__(self, most: int = THREADS_OF_ADDRESS) -> None:
        self._waiting: OrderedDict[Any, deque[Any]] = OrderedDict()
        self._most, self._served = most, Counter[Any]()

    def append(self, channel: Any) -> None:
        self._waiting.setdefault(channel.addr[0], deque()).append(channel)

    def popleft(self) -> Any:
        address = next(address for address in self._waiting if self._served[address] < self._most)
        waiting = self._waiting.pop(address)
        channel = waiting.popleft()
        if waiting:
            self._waiting[address] = waiting
        self._served[address] += 1
        return channel

    def release(self, channel: Any) -> None:
        """Note that a request which was taken from here has been answered."""
        self._served[channel.addr[0]] -= 1
        if not self._served[channel.addr[0]]:
            del self._served[channel.addr[0]]

    def __len__(self) -> int:
        """How many may be taken at present."""
        return sum(
            min(len(waiting), self._most - self._served[address])
            for address, waiting in self._waiting.items()
        )


class Workers(ThreadedTaskDispatcher):  # type: ignore[misc]  # without type information
    """The threads that answer, each address in its turn."""

    def __init__(self, count: int, of_address: int) -> None:
        super().__init__()
        self.queue = Turns(of_address)
        # The depth of the queue is no news to anybody: a greedy client could fill a log with it.
        self.queue_logger.disabled = True
        self.set_thread_count(count)

    def release(self, channel: Any) -> None:
        """Note that a request no longer counts; another worker may take the next one of its address."""
        with self.lock:
            self.queue.release(channel)
            self.queue_cv.notify()
