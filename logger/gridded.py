"""What lies on a grid, whatever it says: a part of it, several parts as one, the new in place of the old."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from .evidence import Grid


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
    return _each(wide, grid, lambda _, value: value[part])


def joined(parts: Sequence[T], grid: Grid) -> T:
    """The last of several that follow each other, with the arrays of all."""
    return _each(parts[-1], grid, lambda name, _: np.concatenate([getattr(part, name) for part in parts]))


def spliced(old: T, new: T) -> T:
    """The new after what of the old lies before it."""
    first = old.grid.first
    before = new.grid.first - first
    grid = Grid(first, before + new.grid.n, new.grid.step_s)
    held = vars(old)
    return _each(new, grid, lambda name, value: np.concatenate((held[name][:before], value)))


def _each(like: T, grid: Grid, made: Callable[[str, NDArray[Any]], NDArray[Any]]) -> T:
    """The same thing with other arrays. `dataclasses.replace` would be half of a live minute's work."""
    new = object.__new__(type(like))
    fields = vars(new)
    for name, value in vars(like).items():
        fields[name] = made(name, value) if isinstance(value, np.ndarray) else value
    fields["grid"] = grid
    return new
