"""Whether the channels of a judgement are read often enough for the cycle of the air."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...units import MICRO
from ..evidence.cells import Cells
from ..evidence.sampling import adequacy, dominant_period_s
from ..judge.judgement import Judgement


def sampling_notices(judgement: Judgement) -> list[str]:
    """Warnings of channels too slow for the cycle of the air, as the fastest channel shows it."""
    cells = [c for c in judgement.cells.values() if c.channel.quantity == "temperature" and c.count.any()]
    if not cells:
        return []
    finest = min(cells, key=lambda c: (c.channel.interval_s, c.channel.key))
    block = max(1, round(finest.channel.interval_s / judgement.grid.step_s))
    period_s = dominant_period_s(_interval_means(finest, block) / MICRO, block * judgement.grid.step_s)
    if period_s is None:
        return []
    warnings = [(c, adequacy(c.channel.interval_s, period_s, c.channel.response_s).warning) for c in cells]
    return [f"{c.channel.key}: {warning}" for c, warning in warnings if warning]


def _interval_means(cells: Cells, block: int) -> NDArray[np.float64]:
    """Mean of each block of cells, one a sampling interval, (n // block,); NaN without a reading."""
    n = cells.grid.n // block
    means = cells.mean[: n * block].reshape(n, block)
    filled = np.isfinite(means)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(filled, means, 0.0).sum(axis=1) / filled.sum(axis=1), np.float64)
