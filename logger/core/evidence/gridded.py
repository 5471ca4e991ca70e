"""Data on a grid: cut to a part, joined from several parts, spliced with newer cells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol, TypeVar

import numpy as np

from .grid import Grid

# The field in which cells carry what doubted readings say; None where none is doubted.
AS_READ = "as_read"


class OnGrid(Protocol):
    """A frozen dataclass whose arrays have one number, or one flag, for each cell of its grid."""

    @property
    def grid(self) -> Grid:
        """The cells."""


T = TypeVar("T", bound=OnGrid)


def cut(wide: T, grid: Grid) -> T:
    """The part that lies on a smaller grid; arrays are views."""
    if grid == wide.grid:
        return wide
    begin = grid.first - wide.grid.first
    part = slice(begin, begin + grid.n)
    values = vars(wide).items()
    fields: dict[str, Any] = {k: v[part] if isinstance(v, np.ndarray) else v for k, v in values}
    if fields.get(AS_READ) is not None:
        fields[AS_READ] = cut(fields[AS_READ], grid)
    return _like(wide, grid, fields)


def join_grids(parts: Sequence[T], grid: Grid) -> T:
    """The last of several that follow each other, with the arrays of all."""
    last = vars(parts[-1]).items()
    values = {
        k: np.concatenate([vars(p)[k] for p in parts]) if isinstance(v, np.ndarray) else v for k, v in last
    }
    if any(vars(p).get(AS_READ) is not None for p in parts):
        values[AS_READ] = join_grids([_as_read(p) for p in parts], grid)
    return _like(parts[-1], grid, values)


def splice(old: T, new: T) -> T:
    """The cells of `old` before those of `new`, then `new`."""
    first = old.grid.first
    before = new.grid.first - first
    grid = Grid(first, before + new.grid.n, new.grid.step_s)
    earlier, later = vars(old), vars(new).items()
    values = {
        k: np.concatenate((earlier[k][:before], v)) if isinstance(v, np.ndarray) else v for k, v in later
    }
    if earlier.get(AS_READ) is not None or values.get(AS_READ) is not None:
        values[AS_READ] = splice(_as_read(old), _as_read(new))
    return _like(new, grid, values)


def _as_read(thing: T) -> T:
    """A thing with its doubted readings as they stand; the thing itself where none is doubted."""
    other: T | None = vars(thing).get(AS_READ)
    return thing if other is None else other


def _like(like: T, grid: Grid, fields: dict[str, Any]) -> T:
    """A copy with other fields. `dataclasses.replace` would be half of a live minute's work."""
    new = object.__new__(type(like))
    vars(new).update(fields, grid=grid)
    return new
