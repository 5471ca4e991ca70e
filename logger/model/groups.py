"""Things in groups by a key, in their order."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

K = TypeVar("K")
T = TypeVar("T")


def group_by(things: Iterable[T], key: Callable[[T], K]) -> Mapping[K, tuple[T, ...]]:
    """Key -> its things, each group in the order in which they come.

    >>> group_by([3, 4, 5], lambda n: n % 2)
    {1: (3, 5), 0: (4,)}
    """
    groups: dict[K, list[T]] = {}
    for thing in things:
        groups.setdefault(key(thing), []).append(thing)
    return {name: tuple(members) for name, members in groups.items()}
