"""Curve of a channel over any window: corrected extremes in bins, measured or derived.

No reading's extreme is left out, whatever the length. Extremes are corrected by the certificate in use
at the start of their bin. A derived quantity is computed from the extremes of its inputs in each bin: in
bins longer than a sampling interval these are bounds of the true values. Curves are for display only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from ..core.calibration.apply import correct_readings
from ..core.evidence.derived import FORMULAS, Formula
from ..model import Setup
from ..series import Float, Int
from ..store import Store
from ..store.archive.cells import Envelope


@dataclass(frozen=True)
class Curve:
    """Bins [start, end) that hold a value, ascending; values and U (k = 2) in the canonical unit, shape (n,).

    `bounds`: low and high are bounds of the true values.
    """

    start_ns: Int
    end_ns: Int
    low: Float
    high: Float
    mean: Float
    U: Float
    n: Int
    bounds: bool = False

    def __len__(self) -> int:
        return len(self.start_ns)

    def at(self, keep: Int) -> Curve:
        """The bins at these places."""
        start, end, n = self.start_ns[keep], self.end_ns[keep], self.n[keep]
        values = self.low[keep], self.high[keep], self.mean[keep], self.U[keep]
        return Curve(start, end, *values, n, self.bounds)


def curve(store: Store, setup: Setup, channel: str, from_ns: int, to_ns: int, *, bins: int) -> Curve:
    """About `bins` bins of [from, to) of a measured channel, or of a derived one such as "P1.dew_point"."""
    inputs = setup.inputs_of(channel)
    if not inputs:
        return _measured_curve(setup, channel, store.overviews.envelope(channel, from_ns, to_ns, bins))
    curves = [curve(store, setup, key, from_ns, to_ns, bins=bins) for key in inputs]
    certificates = [{c.number for c in setup.certificates_of(key)} for key in inputs[:2]]
    return _derived_curve(
        FORMULAS[channel.rpartition(".")[2]],
        at_common_bins(curves),
        shared=bool(certificates[0] & certificates[1]),
    )


def at_common_bins(curves: Sequence[Curve]) -> list[Curve]:
    """Curves of one window at the bins that all of them have."""
    common = reduce(np.intersect1d, [item.start_ns for item in curves])
    return [item.at(np.searchsorted(item.start_ns, common)) for item in curves]


def _measured_curve(setup: Setup, channel: str, envelope: Envelope) -> Curve:
    certificates, channel_setup = setup.certificates_of(channel), setup.channels[channel]
    low, mean, high = (
        correct_readings(channel_setup, certificates, envelope.start_ns, raw)
        for raw in (envelope.low, envelope.mean, envelope.high)
    )
    ends = np.minimum(low.value, high.value), np.maximum(low.value, high.value)
    U = np.maximum(low.U, high.U)
    return Curve(envelope.start_ns, envelope.end_ns, *ends, mean.value, U, envelope.n)


def _derived_curve(formula: Formula, inputs: Sequence[Curve], *, shared: bool) -> Curve:
    low, high = (
        [(c.low if up == rising else c.high) for c, rising in zip(inputs, formula.rising, strict=True)]
        for up in (True, False)
    )
    mean = [c.mean for c in inputs]
    parts = [slope * c.U for slope, c in zip(formula.slopes(*mean), inputs, strict=True)]
    squared = sum(part**2 for part in parts) + formula.own_U(formula.value(*mean)) ** 2
    if shared:  # what one certificate covers is common; its sign is unknown and counts against the value
        squared = squared + 2 * np.abs(parts[0] * parts[1])
    first_input, n = inputs[0], np.minimum.reduce([c.n for c in inputs])
    bounds = bool(np.any(n > 1))
    values = formula.value(*low), formula.value(*high), formula.value(*mean)
    return Curve(first_input.start_ns, first_input.end_ns, *values, np.sqrt(squared), n, bounds)
