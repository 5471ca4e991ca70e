"""Where the probes of channels stood, cell by cell."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

import numpy as np

from ...model import Placement, Position, Setup
from ...series import Bool
from .grid import Grid


def in_zone(channel: str, zone: str, setup: Setup, grid: Grid) -> Bool:
    """The cells, shape (n,), in which the probe of a channel stands in a zone."""
    return _during((s for s, place in _stays(channel, setup) if place.zone == zone), grid)


def without_position(channel: str, setup: Setup, grid: Grid) -> Bool:
    """The cells, shape (n,), in which the probe of a channel is at no position of any zone."""
    return ~_during(setup.placements_of(channel), grid)


def in_media(channel: str, zone: str, media: Collection[str], setup: Setup, grid: Grid) -> Bool:
    """The cells, shape (n,), in which the probe of a channel stands in one of some media of a zone."""
    stays = _stays(channel, setup)
    return _during((s for s, place in stays if place.zone == zone and place.medium in media), grid)


def media_of(channel: str, zone: str, setup: Setup) -> set[str]:
    """The media of a zone in which the probe of a channel stands at any time."""
    return {place.medium for _, place in _stays(channel, setup) if place.zone == zone}


def _stays(channel: str, setup: Setup) -> Iterator[tuple[Placement, Position]]:
    for stay in setup.placements_of(channel):
        if stay.position in setup.positions:
            yield stay, setup.positions[stay.position]


def _during(stays: Iterable[Placement], grid: Grid) -> Bool:
    inside = np.zeros(grid.n, np.bool_)
    for stay in stays:
        inside[grid.clip(stay.from_ns, stay.to_ns)] = True
    return inside
