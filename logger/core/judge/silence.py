"""Time without evidence within a settling time, counted over cells and carried from piece to piece."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ...series import Bool

Silences = tuple[tuple[int, int], ...]


class Silence:
    """Silent cells, and those of the settling time before them, which a state carries."""

    def __init__(self, settling_s: int, gap_s: int, step_s: int, silent: Bool, earlier: Silences) -> None:
        """`silent`: shape (n,); `earlier`: as (from, to) seconds before the first cell."""
        self.width, self.step_s, self.n = -(-settling_s // step_s), step_s, len(silent)
        # Where nothing at all was seen for a settling time, bodies are unknown whatever gap is allowed.
        self.most = min(gap_s // step_s, self.width - 1)
        self.any = bool(earlier) or bool(silent.any())
        if self.any:
            self.cells = np.concatenate([self._flags(earlier), silent])

    def _flags(self, earlier: Silences) -> Bool:
        flags = np.zeros(self.width, np.bool_)
        for from_s, to_s in earlier:
            flags[max(0, self.width - -(-from_s // self.step_s)) : self.width - to_s // self.step_s] = True
        return flags

    def lost(self) -> Bool:
        """Silent cells up to which more is silent, within a settling time, than leaves bodies known; (n,)."""
        if not self.any or not self.width:
            return np.zeros(self.n, np.bool_)
        total = np.concatenate([[0], np.cumsum(self.cells)])
        within = total[self.width + 1 :] - total[1 : self.n + 1]
        return np.asarray(self.cells[self.width :] & (within > self.most))

    def before(self, cell: int) -> Silences:
        """The silences of the settling time before a cell, as (from, to) seconds before it, oldest first."""
        if not self.any:
            return ()
        edges = np.diff(
            np.concatenate([[False], self.cells[cell : cell + self.width], [False]]).astype(np.int8)
        )
        ends = ((self.width - np.flatnonzero(edges)) * self.step_s).tolist()
        return tuple(zip(ends[::2], ends[1::2], strict=True))


class Countdown:
    """What is left of a settling time that begins anew with each loss and passes where something is known."""

    def __init__(self, left_s: int, settling_s: int, has_evidence: Bool, lost: Bool, step_s: int) -> None:
        """`has_evidence`, `lost`: shape (n,); `left_s`: before the first cell."""
        passed = np.concatenate([[0], np.cumsum(np.where(has_evidence, step_s, 0))])
        ends = np.concatenate([[left_s], np.where(lost, settling_s + passed[1:], 0)])
        self._left = np.maximum.accumulate(ends) - passed
        self.runs = (self._left[:-1] > 0) | lost

    def before(self, cell: int) -> int:
        """Seconds that are left before a cell."""
        return max(0, int(self._left[cell]))


def from_pairs(pairs: Iterable[Iterable[int]]) -> Silences:
    """From what JSON kept."""
    return tuple((from_s, to_s) for from_s, to_s in pairs)
