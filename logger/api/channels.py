"""What is asked about channels: which there are, and their readings with corrections and uncertainties."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from flask import Response

from ..errors import UnknownName
from ..instants import NS
from ..model import Channel
from ..series import STATUS
from ..verdicts.channel_readings import ChannelReadings, channel_readings
from . import inputs
from .access import RecordAccess
from .answers import json_answer, ms, page_answer
from .cursors import Page, Place, page_of, written

MOST_READINGS = 10_000


@dataclass(frozen=True)
class ReadingPlace:
    """A reading and which of those of its instant it is."""

    at_ns: int
    nth: int
    content: dict[str, Any]


class ChannelRoutes:
    """Channels and readings."""

    def __init__(self, access: RecordAccess) -> None:
        self._access = access

    def channels(self) -> Response:
        """Every channel of the setup in force."""
        after, limit = inputs.place(inputs.parameters("cursor", "limit"), 50, 1000)
        channels = sorted(self._access.setup.channels.values(), key=_place)
        return page_answer(page_of(channels, _place, after, limit), self._channel)

    def channel(self, channel: str) -> Response:
        """One channel: its quantity, unit, place and certificate in force."""
        inputs.parameters()
        return json_answer(self._channel(self._of(channel)))

    def _of(self, key: str) -> Channel:
        channels = self._access.setup.channels
        if key not in channels:
            raise UnknownName("channel", key, channels)
        return channels[key]

    def _channel(self, channel: Channel) -> dict[str, Any]:
        setup, now_ns = self._access.setup, self._access.now_ns()
        position = setup.position_at(channel.key, now_ns)
        held = [c for c in setup.certificates_of(channel.key) if c.valid_from_ns <= now_ns]
        due_ns = held[-1].due_ns if held else None
        return {
            "channel": channel.key,
            "probe": channel.probe,
            "serial": setup.probes[channel.probe].serial,
            "quantity": channel.quantity,
            "unit": channel.unit,
            "interval_s": channel.interval_s,
            "zone": position.zone if position else None,
            "position": position.key if position else None,
            "medium": position.medium if position else None,
            "xyz_m": list(position.xyz_m) if position else None,
            "certificate": held[-1].number if held else None,
            "due": None if due_ns is None else ms(due_ns),
        }

    def readings(self, channel: str) -> Response:
        """Readings in [from, to), oldest first, each with its correction, U (k = 2) and what it supports."""
        access = self._access
        query, of = inputs.parameters("from", "to", "cursor", "limit"), self._of(channel)
        span = inputs.interval(query, access.zone_info, access.now_ns())
        after, limit = inputs.place(query, 1000, MOST_READINGS)
        return page_answer(self._page(of, span, after, limit), lambda reading: reading.content)

    def _page(
        self, channel: Channel, span: tuple[int, int], after: Place | None, limit: int
    ) -> Page[ReadingPlace]:
        """Read in pieces that grow: a year of readings is not fetched for its first thousand."""
        from_ns, skip = span[0], 0
        if after is not None:
            from_ns, skip = max(span[0], after[0]), (_nth(after) + 1 if after[0] >= span[0] else 0)
        window_ns = max(int(channel.interval_s * NS) * (limit + 1), 3600 * NS)
        entries: list[ReadingPlace] = []
        while from_ns < span[1] and len(entries) <= limit:
            to_ns = min(from_ns + window_ns, span[1])
            part = channel_readings(self._access.store, self._access.setup, channel.key, from_ns, to_ns)
            first = from_ns
            entries += [
                e for e in _entries(part, limit + 1 - len(entries) + skip) if e.at_ns > first or e.nth >= skip
            ]
            from_ns, window_ns, skip = to_ns, window_ns * 4, 0
        shown = entries[:limit]
        more = written((shown[-1].at_ns, str(shown[-1].nth))) if len(entries) > limit else None
        return Page(shown, more)


def _nth(place: Place) -> int:
    return inputs.number(place[1])


def _entries(part: ChannelReadings, most: int) -> Iterator[ReadingPlace]:
    """The first readings of a part, each with its number among those of its instant."""
    nth, before = 0, None
    for i in range(min(most, len(part.taken_ns))):
        at_ns = int(part.taken_ns[i])
        nth, before = (nth + 1 if at_ns == before else 0), at_ns
        yield ReadingPlace(at_ns, nth, _content(part, i))


def _content(part: ChannelReadings, i: int) -> dict[str, Any]:
    return {
        "taken": ms(int(part.taken_ns[i])),
        "indicated": _number(part.indicated[i]),
        "corrected": _number(part.corrected[i]),
        "U": _number(part.U[i]),
        "unit": part.unit,
        "quality": part.quality_text(i),
        "status": STATUS[int(part.status[i])],
        "why": part.why_text(i),
        "late": bool(part.late[i]),
    }


def _number(value: np.float64) -> float | None:
    return round(float(value), 6) if np.isfinite(value) else None


def _place(channel: Channel) -> Place:
    return 0, channel.key
