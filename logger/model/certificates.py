"""Calibration certificates, as they are put in use for a channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .ceilings import clamp_field, latest_due_ns


@dataclass(frozen=True)
class AsFound:
    """Errors (indication − reference) that a calibration found before any adjustment, and their effect.

    "step": the probe changed at an unknown time since its calibration before; "linear": it drifted
    evenly from then on; "": no effect, the errors are stored only.
    """

    indications: tuple[float, ...]
    errors: tuple[float, ...]
    model: Literal["", "step", "linear"] = ""


@dataclass(frozen=True)
class Polynomial:
    """A correction c₀ + c₁·z + c₂·z² + … in the channel's unit, z = (indication − centre)/scale."""

    coefficients: tuple[float, ...]
    centre: float = 0.0
    scale: float = 1.0


@dataclass(frozen=True)
class Certificate:
    """Calibration of one channel, in the channel's own unit.

    `corrections` are reference − indication (the error with its sign turned), at
    `indications`, ascending. `U` is the expanded uncertainty at those points with factor `k`.
    `drift` and `other_u`: declared rectangular half-width, and further standard uncertainty.
    `applied_by_instrument`: the instrument corrects itself by it, so that `corrections` are zero here.
    """

    number: str
    channel: str
    issuer: str
    accreditation: str
    calibrated_on: str  # ISO 8601 day
    valid_from_ns: int  # put in use
    due_ns: int | None  # end of the due day in the room's time zone
    indications: tuple[float, ...]
    corrections: tuple[float, ...]
    U: tuple[float, ...]
    k: float
    range: tuple[float, float]
    drift: float = 0.0
    other_u: float = 0.0
    withdrawn_ns: int | None = None
    applied_by_instrument: bool = False
    calibrated_ns: int | None = None  # first instant of the day of calibration; None: as valid_from_ns
    as_found: AsFound | None = None  # re-judges the readings under the certificate before this one
    releases_overdue: str = ""  # why time in which the certificate before was overdue may be relied on
    polynomial: Polynomial | None = None  # takes the place of straight lines between the points
    references: tuple[str, ...] = ()  # reference standards that it was made with, as their marks say

    def __post_init__(self) -> None:
        if self.due_ns is not None:
            clamp_field(self, "due_ns", most=latest_due_ns(self.calibrated_on, self.valid_from_ns))
