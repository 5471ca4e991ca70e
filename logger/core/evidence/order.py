"""Readings in order of time, each once: what is judged does not depend on how they arrived."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...errors import Refused
from ...series import Int, Readings, first_occurrences, without_repeats


def in_order(key: str, readings: Readings) -> Readings:
    """The readings, repeated ones left out: counted twice they would make half a record look complete.

    Values of one instant stand in order of value: in what order they arrived makes no difference.
    """
    if (readings.taken_ns[1:] > readings.taken_ns[:-1]).all():
        return readings  # the usual case
    if (readings.taken_ns[1:] < readings.taken_ns[:-1]).any():
        raise Refused(f"Readings of {key} are not in order of time; sort them before they are judged.")
    return without_repeats(_by_value(readings))


def _by_value(readings: Readings) -> Readings:
    """The readings with those of one instant in order of value."""
    order = _order_by_value(readings)
    return readings if order is None else Readings(*(column[order] for column in vars(readings).values()))


def _order_by_value(readings: Readings) -> Int | None:
    """The place of each reading in order of time and value; None where no two are of one instant."""
    if not (readings.taken_ns[1:] == readings.taken_ns[:-1]).any():
        return None
    return np.lexsort((readings.value, readings.taken_ns))


def as_given(flags: NDArray[np.uint8], readings: Readings) -> NDArray[np.uint8]:
    """Flags of readings in order and without repeats, for each of the readings as they were given."""
    order = _order_by_value(readings)
    with_repeats: NDArray[np.uint8] = flags[np.cumsum(first_occurrences(_by_value(readings))) - 1]
    if order is None:
        return with_repeats
    as_given = np.empty_like(with_repeats)
    as_given[order] = with_repeats
    return as_given
