"""The true instants of stamps made by a clock that drifts, from the times at which it was compared.

Between two comparisons the offset is taken to have grown evenly; before the first and after the last it is
that comparison's. Pure.
"""

from __future__ import annotations

import numpy as np

from .instants import NS
from .series import Int

# One comparison is no better than the time that the message took: smaller offsets are none.
KNOWN_NS = 2 * NS


def true_ns(stamp_ns: Int, clock_ns: Int, offset_ns: Int) -> Int:
    """Stamps, shape (n,), without the offset that the clock had.

    clock_ns, offset_ns: what the clock showed at each comparison, ascending, and by how much that was
    ahead; shape (m,), m > 0.

    >>> day = 86400 * NS
    >>> late = np.array([0, -240 * NS])  # right when it was set, 4 min slow after 30 days
    >>> shown = np.array([0, 30 * day - 240 * NS])
    >>> (true_ns(np.array([15 * day - 120 * NS]), shown, late) - 15 * day).tolist()
    [0]
    """
    told = np.where(np.abs(offset_ns) < KNOWN_NS, 0, offset_ns)
    begin = clock_ns[0]
    offset = np.interp((stamp_ns - begin) / NS, (clock_ns - begin) / NS, told / NS)
    return np.asarray(stamp_ns - np.rint(offset * 1e6).astype(np.int64) * 1000, np.int64)
