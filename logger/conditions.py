"""The conditions statement of a certificate: extremes with their uncertainty, rounded outward.

A customer reads "19.6 °C to 20.4 °C" as a promise that the room was nowhere beyond. Hence the least
value loses the expanded uncertainty and is rounded down, the largest gains it and is rounded up. What
the record does not show is not stated. Conditions belong on a certificate by ISO/IEC 17025:2017, 7.8.4.1 b;
rounding outward is our own cautious choice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .errors import Refused
from .inspection import Check
from .model import Setup
from .units import MICRO

# Quantity -> how it is called, as printed: unit, units of print in one canonical unit, least step.
_PRINTED: Mapping[str, tuple[str, str, float, float]] = {
    "temperature": ("temperature", "°C", 1.0, 0.1),
    "relative_humidity": ("relative humidity", "%", 1.0, 1.0),
    "pressure": ("pressure", "hPa", 0.01, 1.0),
}
_SPOKEN = ("air", "part", "scale", "structure", "plate-top", "plate-bottom", "pressure")


@dataclass(frozen=True)
class Extent:
    """Least and largest corrected value of one quantity in one medium, canonical unit, and the largest U."""

    quantity: str
    medium: str
    low: float
    high: float
    U: float


@dataclass(frozen=True)
class Stated:
    """What is stated of one quantity, in the unit as printed."""

    quantity: str
    medium: str
    unit: str
    low: float
    high: float
    text: str


@dataclass(frozen=True)
class Statement:
    """The sentence for the certificate and its figures."""

    sentence: str
    stated: tuple[Stated, ...]
    verdict: str
    digest: str

    def to_json(self) -> dict[str, object]:
        """As plain data."""
        each = [vars(one) for one in self.stated]
        return {"sentence": self.sentence, "stated": each, "verdict": self.verdict, "digest": self.digest}


def outward(low: float, high: float, U: float, step: float) -> tuple[float, float]:
    """[low − U, high + U] on the next graduations of `step` outward; exact to a millionth of the unit.

    One that is widened, and one whose ends lie on graduations already:

    >>> outward(19.78, 20.21, 0.10, 0.1), outward(19.7, 20.3, 0.1, 0.1)
    ((19.6, 20.4), (19.6, 20.4))
    >>> outward(-0.05, 0.05, 0.0, 0.1)
    (-0.1, 0.1)
    """
    if not high >= low or not U >= 0 or not step > 0:
        raise Refused(
            f"conditions: wanted low ≤ high, U ≥ 0, step above 0; found {low}, {high}, U {U}, step {step}."
        )
    begin, end, width, unit = (round(value * MICRO) for value in (low, high, U, step))
    return ((begin - width) // unit) * unit / MICRO, -((-end - width) // unit) * unit / MICRO


def extents(check: Check, setup: Setup, largest_U: Mapping[str, float]) -> list[Extent]:
    """What each quantity did in each medium of the zone during the interval of a check.

    `largest_U`: channel -> largest expanded uncertainty of its readings there, canonical unit; a channel
    without one is left out, and so are probes in supply air and outdoors, which are not the zone.
    """
    found: dict[tuple[str, str], Extent] = {}
    for row in check.statistics:
        U = largest_U.get(row.channel)
        if row.min is None or row.max is None or U is None or row.channel not in setup.channels:
            continue
        for medium in _media(setup, check, row.channel):
            known = found.get((row.quantity, medium), Extent(row.quantity, medium, row.min, row.max, U))
            found[row.quantity, medium] = Extent(
                row.quantity, medium, min(known.low, row.min), max(known.high, row.max), max(known.U, U)
            )
    return [found[key] for key in sorted(found, key=_order)]


def _media(setup: Setup, check: Check, channel: str) -> list[str]:
    places = [
        setup.positions[p.position]
        for p in setup.placements_of(channel)
        if p.from_ns < check.to_ns and (p.to_ns is None or p.to_ns > check.from_ns)
    ]
    found = {p.medium for p in places if p.zone == check.zone and p.medium in _SPOKEN}
    quantity = setup.channels[channel].quantity
    # Humidity and pressure are the air's wherever the probe is said to stand.
    return sorted(found) if quantity == "temperature" else ["air"] if found else []


def _order(key: tuple[str, str]) -> tuple[int, int, str]:
    quantity, medium = key
    known = list(_PRINTED)
    return known.index(quantity) if quantity in known else 99, _SPOKEN.index(medium), quantity


def statement(check: Check, found: Sequence[Extent], zone_name: str) -> Statement:
    """The sentence for a certificate; Refused where the record does not show what it would say."""
    if check.verdict == "not shown":
        raise Refused(
            f"No conditions can be stated for {zone_name}: the verdict of this interval is not shown. "
            + check.because
        )
    stated = tuple(_stated(one) for one in found if one.quantity in _PRINTED)
    if not stated:
        raise Refused(f"No conditions can be stated for {zone_name}: nothing was measured there.")
    listed = "; ".join(one.text for one in stated)
    kept = "The limits were kept" if check.verdict == "stable" else "The limits were not kept"
    words = f"Conditions in {zone_name}: {listed}. The bounds include the expanded uncertainty (k = 2)"
    return Statement(
        f"{words} and are rounded outward. {kept}.", stated, check.verdict, str(check.to_json()["digest"])
    )


def _stated(one: Extent) -> Stated:
    name, unit, factor, step = _PRINTED[one.quantity]
    low, high = outward(one.low * factor, one.high * factor, one.U * factor, step)
    places = 1 if step < 1 else 0
    bounds = f"{low:.{places}f} {unit} to {high:.{places}f} {unit}".replace("-", "−")
    of = f" ({one.medium.replace('-', ' ')})" if one.quantity == "temperature" else ""
    return Stated(one.quantity, one.medium, unit, low, high, f"{name}{of} {bounds}")
