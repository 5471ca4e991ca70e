"""Which room a line of the log is about, where one process keeps many."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

_ROOM: ContextVar[str] = ContextVar("room", default="")


@contextmanager
def in_room(key: str) -> Iterator[None]:
    """What is logged in this block, and in threads that are begun with its context, is of a room."""
    token = _ROOM.set(key)
    try:
        yield
    finally:
        _ROOM.reset(token)


@contextmanager
def named_in_log() -> Iterator[None]:
    """Every line of the log begins with its room, where it has one: `hall-3: …`."""
    make = logging.getLogRecordFactory()

    def with_room(*args: Any, **more: Any) -> logging.LogRecord:
        record = make(*args, **more)
        if room := _ROOM.get():
            record.msg, record.args = f"{room}: {record.getMessage()}", ()
        return record

    logging.setLogRecordFactory(with_room)
    try:
        yield
    finally:
        logging.setLogRecordFactory(make)
