"""What lies on a grid, whatever it says: a part of it, several parts as one, the new in place of the old."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol, TypeVar

import numpy as np

from .cells import Grid

# The field in which cells carry what doubted readings say; None where none is doubted.
AS_READ = "as_read"


class Gridded(Protocol):
    """A frozen dataclass whose arrays have one number, or one flag, for each cell of its grid."""

    @property
    def grid(self) -> Grid:
        """The cells."""


T = TypeVar("T", bound=Gridded)


def cut(wide: T, grid: Grid) -> T:
    """The part that lies on a smaller grid; arrays are views."""
    if grid == wide.grid:
        return wide
    begin = grid.first - wide.grid.first
    part = slice(begin, begin + grid.n)
    each = vars(wide).items()
    fields: dict[str, Any] = {k: v[part] if isinstance(v, np.ndarray) else v for k, v in each}
    if fields.get(AS_READ) is not None:
        fields[AS_READ] = cut(fields[AS_READ], grid)
    return _like(wide, grid, fields)


def joined(parts: Sequence[T], grid: Grid) -> T:
    """The last of several that follow each other, with the arrays of all."""
    last = vars(parts[-1]).items()
    each = {
        k: np.concatenate([vars(p)[k] for p in parts]) if isinstance(v, np.ndarray) else v for k, v in last
    }
    if any(vars(p).get(AS_READ) is not None for p in parts):
        each[AS_READ] = joined([_as_read(p) for p in parts], grid)
    return _like(parts[-1], grid, each)


def spliced(old: T, new: T) -> T:
    """The new after what of the old lies before it."""
    first = old.grid.first
    before = new.grid.first - first
    grid = Grid(first, before + new.grid.n, new.grid.step_s)
    held, later = vars(old), vars(new).items()
    each = {k: np.concatenate((held[k][:before], v)) if isinstance(v, np.ndarray) else v for k, v in later}
    if held.get(AS_READ) is not None or each.get(AS_READ) is not None:
        each[AS_READ] = spliced(_as_read(old), _as_read(new))
    return _like(new, grid, each)


def _as_read(thing: T) -> T:
    """The same with doubted readings as they stand; the thing itself where none is doubted."""
    other: T | None = vars(thing).get(AS_READ)
    return thing if other is None else other


def _like(like: T, grid: Grid, fields: dict[str, Any]) -> T:
    """The same thing with other fields. `dataclasses.replace` would be half of a live minute's work."""
    new = object.__new__(type(like))
    vars(new).update(fields, grid=grid)
    return new
