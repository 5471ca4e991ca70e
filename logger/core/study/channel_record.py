"""Corrected cell means of one channel on the regular UTC grid, with the clock of the room beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...model.figures import difference_unit
from ...series import Bool, Float, Int

DAY_S = 86_400
FILLED_CELLS = 3  # gaps up to so many cells are filled by a straight line, for spectra only


@dataclass(frozen=True)
class ChannelRecord:
    """Cells [start_s + i·step_s, start_s + (i + 1)·step_s) in UTC seconds since 1970; arrays of shape (n,).

    value: means in the canonical unit, NaN where the record has nothing that counts; offset_s: how far the
    room's clock is ahead of UTC; resolution: of the probe, in the canonical unit of a difference;
    every_s: seconds between readings.
    """

    channel: str
    unit: str
    start_s: int
    step_s: int
    value: Float
    offset_s: Int
    resolution: float = 0.0
    every_s: float = 60.0

    def __len__(self) -> int:
        return len(self.value)

    @property
    def difference_unit(self) -> str:
        """The unit of a difference of two values: K for degC."""
        return difference_unit(self.unit)

    @property
    def at_s(self) -> Int:
        """UTC seconds of the start of each cell."""
        return self.start_s + np.arange(len(self.value), dtype=np.int64) * self.step_s

    @property
    def local_s(self) -> Int:
        """Seconds of each cell's start by the clock of the room: 0 is midnight of 1970-01-01."""
        return self.at_s + self.offset_s

    @property
    def span_s(self) -> int:
        """Seconds from the first cell with a value to the end of the last one."""
        cells = np.flatnonzero(np.isfinite(self.value))
        return 0 if not len(cells) else int(cells[-1] - cells[0] + 1) * self.step_s

    @property
    def share(self) -> float:
        """Share of cells that have a value, between the first and the last of them."""
        return float(np.isfinite(self.value).sum() * self.step_s / self.span_s) if self.span_s else 0.0

    def with_values(self, value: Float) -> ChannelRecord:
        """Other values on the same cells."""
        return replace(self, value=value)

    def coarser(self, step_s: int, least: float = 0.5) -> ChannelRecord:
        """Means over blocks of `step_s`; NaN where fewer than `least` of a block's cells have a value."""
        if step_s == self.step_s:
            return self
        if step_s % self.step_s:
            raise ValueError(f"{step_s} s is not a multiple of the cells of {self.step_s} s.")
        k = step_s // self.step_s
        skip = (-self.start_s // self.step_s) % k
        n = max(0, (len(self.value) - skip) // k)
        blocks = self.value[skip : skip + n * k].reshape(n, k)
        count = np.isfinite(blocks).sum(axis=1)
        total = np.nansum(blocks, axis=1)
        mean = np.where(count >= max(1.0, least * k), total / np.maximum(count, 1), np.nan)
        offsets = self.offset_s[skip : skip + n * k : k]
        start_s = self.start_s + skip * self.step_s
        return replace(self, start_s=start_s, step_s=step_s, value=mean, offset_s=offsets)


def fill_short_gaps(value: Float, most: int = FILLED_CELLS) -> Float:
    """Gaps of at most `most` cells filled by a straight line; longer ones, and the ends, stay as they are."""
    missing = ~np.isfinite(value)
    if not missing.any() or missing.all():
        return value
    edges = np.diff(np.concatenate(([0], missing.astype(np.int8), [0])))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    short = (ends - begins <= most) & (begins > 0) & (ends < len(value))
    filled = value.copy()
    cells = np.zeros(len(value), np.bool_)
    for begin, end in zip(begins[short], ends[short], strict=True):
        cells[begin:end] = True
    at = np.flatnonzero(cells)
    good = np.flatnonzero(~missing)
    filled[at] = np.interp(at, good, value[good])
    return filled


def mean_course(record: ChannelRecord, bin_s: int = 900, period_s: int = DAY_S) -> Float:
    """Mean of the record in each local bin of the day (or another period), shape (period/bin,); NaN if empty.

    Each day is taken relative to its own mean, so that a slow drift does not bend the course.
    """
    phase = (record.local_s % period_s) // bin_s
    return _bin_means(phase, without_period_means(record, period_s), period_s // bin_s)


def without_period_means(record: ChannelRecord, period_s: int = DAY_S) -> Float:
    """Values less the mean of their local day (or other period); NaN where that is less than half full."""
    number = record.local_s // period_s
    number = number - number.min(initial=0)
    count, total = np.zeros(number.max(initial=0) + 1), np.zeros(number.max(initial=0) + 1)
    good = np.isfinite(record.value)
    np.add.at(count, number[good], 1)
    np.add.at(total, number[good], record.value[good])
    enough = count * record.step_s >= 0.5 * period_s
    means = np.where(enough, total / np.maximum(count, 1), np.nan)
    return np.asarray(record.value - means[number])


def warmest_hour(record: ChannelRecord) -> tuple[float, float]:
    """Hour of the room's clock at which the first harmonic of the day is highest, and its amplitude."""
    course = mean_course(record, 3600)
    if not np.isfinite(course).all():
        return 0.0, 0.0
    wave = np.exp(-2j * np.pi * np.arange(24) / 24)
    line = complex(2 / 24 * (course * wave).sum())
    return float((-np.angle(line) / (2 * np.pi) * 24 + 0.5) % 24), abs(line)


def subtract_course(record: ChannelRecord, course: Float, bin_s: int = 900) -> ChannelRecord:
    """The record without its mean course of the day, interpolated between the middles of the bins."""
    if not np.isfinite(course).any():
        return record
    n = len(course)
    middles = (np.arange(-1, n + 1) + 0.5) * bin_s
    around = np.concatenate((course[-1:], course, course[:1]))
    good = np.isfinite(around)
    phase = (record.local_s + record.step_s / 2) % (n * bin_s)
    return record.with_values(record.value - np.interp(phase, middles[good], around[good]))


def _bin_means(index: Int, value: Float, n: int) -> Float:
    good: Bool = np.isfinite(value)
    count = np.bincount(index[good], minlength=n)
    total = np.bincount(index[good], weights=value[good], minlength=n)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
