"""Summaries that rooms sent to the centre: the newest of each signing key, with the instant it was received.

A summary is signed, so that anybody may bring it; what a key that nobody confirmed says counts for nothing
until a person takes its room into the list. Neither an older summary nor the same one twice is taken: who
kept a copy of one cannot make a room seem alive by it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import StoreError
from ..store.lock import try_lock
from .registry import Registry, replace_file
from .summary import LARGEST_BYTES, Summary, SummaryFault, opened

FOLDER = "received"
MOST_UNLISTED = 200  # keys that nobody confirmed; whoever makes up more fills no disk


class SummaryRejected(Exception):
    """Why the centre did not take a summary, in words."""


@dataclass(frozen=True)
class Receipt:
    """A summary whose signature is good, and when it came, by the clock of the centre."""

    summary: Summary
    received_ns: int


class Receipts:
    """The summaries that were sent to one centre, kept in its folder."""

    def __init__(self, centre: Path) -> None:
        self._folder = centre / FOLDER

    def take(self, content: bytes, registry: Registry, now_ns: int) -> bool:
        """Keep a summary that was sent; whether its key is one that a person confirmed.

        SummaryRejected for no summary, one not newer than the one held, or one of a key too many.
        """
        if len(content) > LARGEST_BYTES:
            raise SummaryRejected(f"expected at most {LARGEST_BYTES} bytes, found {len(content)}")
        try:
            summary = opened(content)
        except SummaryFault as fault:
            raise SummaryRejected(str(fault)) from fault
        listed = summary.key_name in {entry.key_name for entry in registry.rooms.values()}
        self._folder.mkdir(parents=True, exist_ok=True)
        with try_lock(self._folder / "received.lock", wait_s=5.0) as ours:
            held = self.of(summary.key_name)
            if not ours or (held is not None and not is_newer(summary, held.summary)):
                raise SummaryRejected("a newer summary of this key is held")
            if not listed and held is None and len(list(self.unlisted(registry))) >= MOST_UNLISTED:
                raise SummaryRejected("too many keys that nobody confirmed wait here")
            facts = {"received_ns": now_ns, "summary": content.decode()}
            replace_file(self._file(summary.key_name), json.dumps(facts, ensure_ascii=False).encode())
        return listed

    def of(self, key_name: str) -> Receipt | None:
        """The newest summary of a key; None where none was received, or what lies there is damaged."""
        try:
            facts = json.loads(self._file(key_name).read_bytes())
            summary = opened(str(facts["summary"]).encode())
            return Receipt(summary, int(facts["received_ns"])) if summary.key_name == key_name else None
        except (OSError, ValueError, KeyError, TypeError, SummaryFault):
            return None

    def unlisted(self, registry: Registry) -> Iterator[Receipt]:
        """What keys say that are in no list: rooms that wait for a person."""
        listed = {entry.key_name for entry in registry.rooms.values()}
        for file in sorted(self._folder.glob("*.json")):
            if file.stem not in listed and (receipt := self.of(file.stem)) is not None:
                yield receipt

    def _file(self, key_name: str) -> Path:
        if not key_name.isalnum():
            raise StoreError(f"{key_name!r} is no name of a key.")
        return self._folder / f"{key_name}.json"


def is_newer(summary: Summary, other: Summary) -> bool:
    """Whether a summary was made after another one of the same room: by its journal, or by its clock.

    A clock that was set back makes older instants and a longer journal; a record that went back the other
    way round. Only a copy of an old summary is older in both.
    """
    return summary.head[0] > other.head[0] or summary.at_ns > other.at_ns
