"""Readings of one channel as programs get them: as indicated, corrected, with U, and what they support."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..core.calibration.apply import correct_readings
from ..core.evidence.cells import qualities
from ..core.evidence.quality import RATE_S
from ..instants import NS
from ..model import Quality, Setup
from ..model.reasons import WHY_TEXT, Why
from ..series import STATUS, Bool, Float, Int, Readings, find_conflicts
from ..store import Store
from ..units import quantity, to_canonical

# So far around an interval readings are looked at for the flags of those at its ends.
AROUND_NS = (RATE_S + 3600) * NS
QUALITY_WORDS = {
    Quality.PASS: "pass",
    Quality.NOT_EVALUATED: "not evaluated",
    Quality.SUSPECT: "suspect",
    Quality.FAIL: "fail",
    Quality.MISSING: "missing",
}


@dataclass(frozen=True)
class ChannelReadings:
    """Readings ascending in the instant taken; arrays of shape (n,), NaN where there is no value.

    indicated and corrected in `unit`, U (k = 2) in `difference_unit`; status: places in `STATUS`; quality:
    places in `Quality`, None where it was not asked for; why: places in `Why`, 0 where it supports a verdict.
    """

    channel: str
    unit: str
    difference_unit: str
    taken_ns: Int
    indicated: Float
    corrected: Float
    U: Float
    status: NDArray[np.uint8]
    quality: NDArray[np.uint8] | None
    why: NDArray[np.uint8]
    late: Bool

    def quality_text(self, i: int) -> str:
        """The flag of a reading in words."""
        return QUALITY_WORDS[Quality(int(self.quality[i]))] if self.quality is not None else "not evaluated"

    def why_text(self, i: int) -> str:
        """Why a reading supports no verdict, in words; empty where it does."""
        status = STATUS[int(self.status[i])]
        return status if status != "ok" else WHY_TEXT[Why(int(self.why[i]))]


def channel_readings(
    store: Store, setup: Setup, key: str, from_ns: int, to_ns: int, *, quality_flags: bool = True
) -> ChannelReadings:
    """Every reading of a channel in [from, to), corrected by the certificate in force at its instant.

    quality_flags: also how the judge tests each reading, for which its neighbours in the zone are read, too.
    """
    channel = setup.channels[key]
    readings = store.readings.read(key, from_ns, to_ns)
    corrected = correct_readings(channel, setup.certificates_of(key), readings.taken_ns, readings.value)
    flags = _flags(store, setup, key, readings, (from_ns, to_ns)) if quality_flags else None
    kind = quantity(channel.quantity)
    own = channel.unit == kind.unit
    indicated = readings.value if own else to_canonical(readings.value, channel.unit, channel.quantity)
    return ChannelReadings(
        key, kind.unit, kind.difference_unit, readings.taken_ns,
        indicated, corrected.value, corrected.U,
        readings.status, flags, _why(readings, corrected.why, flags), readings.late,
    )  # fmt: skip


def _flags(
    store: Store, setup: Setup, key: str, readings: Readings, span: tuple[int, int]
) -> NDArray[np.uint8]:
    """The flag of each reading: those around the interval are read for it, and those of its neighbours."""
    if not len(readings):
        return np.empty(0, np.uint8)
    zones = [zone for zone in setup.zones if key in setup.channels_in(zone)]
    channels = {key, *(near for zone in zones for near in setup.channels_in(zone))}
    wide = store.readings.read_channels(sorted(channels), span[0] - AROUND_NS, span[1] + AROUND_NS)
    own = wide[key]
    begin = int(np.searchsorted(own.taken_ns, span[0]))
    return qualities(setup, wide)[key][begin : begin + len(readings)]


def _why(readings: Readings, why: NDArray[np.uint8], flags: NDArray[np.uint8] | None) -> NDArray[np.uint8]:
    """The reason of each reading, with what its value and its neighbours say beside the certificate."""
    reasons = why.copy()
    conflicts = find_conflicts(readings)
    if conflicts.any():
        reasons[conflicts] = Why.CONFLICT
    if flags is not None:
        doubted = (flags == Quality.SUSPECT) | (flags == Quality.FAIL)
        reasons[doubted & (reasons == Why.EVIDENCE)] = Why.SUSPECT
    missing = np.isnan(readings.value)
    if missing.any():
        reasons[missing] = Why.NO_READING
    return reasons
