"""Whether the probes of a zone can be held against each other as its settings ask."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations, product

from ..core.evidence.neighbours import NeighbourGroup, groups, humid_groups, temperature_beside
from ..errors import Fault
from ..model import Placement, Setup
from .tables import Tables

Groups = Callable[[str, Setup], list[NeighbourGroup]]
_OF: Sequence[tuple[str, Groups, str]] = (
    ("agree_K", groups, "temperature"),
    ("agree_dew_point_K", humid_groups, "humidity, each with a temperature of its own,"),
)


def faults(tables: Tables, setup: Setup) -> Iterator[Fault]:
    """A fault for each zone that asks for a comparison which can never be made."""
    for zone, entry in tables.zones.items():
        for key, together, what in _OF:
            if getattr(entry.value, key) is not None and not _together(setup, zone, together(zone, setup)):
                expected = f"at least two probes of {what} in one medium of the zone, or no {key}"
                yield entry.fault(key, expected, "no two probes that can be compared")


def warnings(setup: Setup) -> list[str]:
    """Comparisons that can be made no longer, and channels that take no part in them."""
    sentences = []
    for zone in setup.zones_now():
        for key, together, _ in _OF:
            if getattr(zone, key) is not None and not _together(
                setup, zone.key, together(zone.key, setup), now=True
            ):
                sentences.append(
                    f"{zone.key}: {key} no longer compares anything; fewer than two such probes are left"
                )
        humid = [k for k in setup.channels_in(zone.key) if setup.channels[k].quantity == "relative_humidity"]
        alone = [key for key in humid if temperature_beside(setup, key) is None]
        if zone.agree_dew_point_K is not None and alone:
            listed = ", ".join(alone)
            sentences.append(
                f"{zone.key}: not compared, as its probe has no temperature of its own: {listed}"
            )
    return sentences


def _together(setup: Setup, zone: str, each: list[NeighbourGroup], *, now: bool = False) -> bool:
    """Whether two channels of a group stand, or ever stood, in its medium of a zone at the same time."""
    for group in each:
        stays = [_stays(setup, zone, group.medium, key, now=now) for key in group.channels]
        for first, other in combinations(stays, 2):
            if any(_overlap(a, b) for a, b in product(first, other)):
                return True
    return False


def _stays(setup: Setup, zone: str, medium: str, key: str, *, now: bool) -> list[Placement]:
    """When a channel stands in a medium of a zone; `now`: only stays without an end."""
    there = {p.key for p in setup.positions.values() if (p.zone, p.medium) == (zone, medium)}
    return [s for s in setup.placements_of(key) if s.position in there and not (now and s.to_ns is not None)]


def _overlap(a: Placement, b: Placement) -> bool:
    return (b.to_ns is None or a.from_ns < b.to_ns) and (a.to_ns is None or b.from_ns < a.to_ns)
