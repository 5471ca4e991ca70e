"""The conditions statement of a certificate: extremes with their uncertainty, rounded outward.

A customer reads "19.6 °C to 20.4 °C" as a promise that the room was nowhere beyond. Hence it runs from the
least of value − U to the greatest of value + U of every channel, each with its own U, rounded outward to the
first digit of U; to one digit more where that would pass a limit that was kept. Limits are printed beside it,
and the readings that did not count. Conditions belong on a certificate by ISO/IEC 17025:2017, 7.8.4.1 b;
rounding outward is our own cautious choice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from ...errors import Refused
from ...instants import wall_span
from ...model import Rule, Setup
from ...model.figures import limit_text
from ...units import MICRO, quantity
from ..evidence.cells import Cells
from ..judge.judgement import Judgement
from ..rules.finding import Finding
from .check import Check

# Quantity -> how it is called, as printed: unit, units of print in one canonical unit, step without any U.
_PRINTED: Mapping[str, tuple[str, str, float, float]] = {
    "temperature": ("temperature", "°C", 1.0, 0.1),
    "relative_humidity": ("relative humidity", "%", 1.0, 1.0),
    "pressure": ("pressure", "hPa", 0.01, 1.0),
}
_MEDIA = ("air", "part", "scale", "structure", "plate-top", "plate-bottom", "pressure")
Limits = tuple[float | None, float | None]


@dataclass(frozen=True)
class Extent:
    """Extremes of one quantity in one medium; canonical unit.

    low: the least of value − U of its channels; high: the greatest of value + U; U: the largest;
    limits: lower and upper limit of each rule in force, in order of time.
    """

    quantity: str
    medium: str
    low: float
    high: float
    U: float
    limits: tuple[Limits, ...] = ()


@dataclass(frozen=True)
class NotCounted:
    """Readings of a channel that do not count, and why; `all_of_it`: there is no other reading."""

    channel: str
    readings: int
    why: str
    all_of_it: bool = False

    @property
    def text(self) -> str:
        """In words.

        >>> NotCounted("T2.temperature", 1, "reading suspect").text
        '1 reading of T2 temperature (reading suspect)'
        >>> NotCounted("T2.temperature", 60, "calibration overdue", all_of_it=True).text
        'all 60 readings of T2 temperature (calibration overdue)'
        """
        probe, _, name = self.channel.rpartition(".")
        of = f"{probe} {name.replace('_', ' ')}"
        if not self.readings:
            return f"{of} (no reading)"
        count = f"{self.readings} reading{'s' if self.readings > 1 else ''} of {of}"
        return f"{'all ' if self.all_of_it else ''}{count} ({self.why})"


@dataclass(frozen=True)
class StatedQuantity:
    """The statement on one quantity, in the unit as printed."""

    quantity: str
    medium: str
    unit: str
    low: float
    high: float
    text: str


@dataclass(frozen=True)
class ConditionsStatement:
    """The sentence for the certificate and its figures."""

    sentence: str
    stated: tuple[StatedQuantity, ...]
    not_counted: tuple[NotCounted, ...]
    verdict: str
    digest: str

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "sentence": self.sentence,
            "stated": [vars(quantity) for quantity in self.stated],
            "not_counted": [vars(quantity) for quantity in self.not_counted],
            "verdict": self.verdict,
            "digest": self.digest,
        }


def round_outward(low: float, high: float, U: float, step: float) -> tuple[float, float]:
    """[low − U, high + U] on the next graduations of `step` outward; exact to a millionth of the unit.

    Rounded, and with ends on graduations already:

    >>> round_outward(19.78, 20.21, 0.10, 0.1), round_outward(19.7, 20.3, 0.1, 0.1)
    ((19.6, 20.4), (19.6, 20.4))
    >>> round_outward(-0.05, 0.05, 0.0, 0.1)
    (-0.1, 0.1)
    """
    if not high >= low or not U >= 0 or not step > 0:
        raise Refused(
            f"conditions: expected low ≤ high, U ≥ 0, step above 0; found {low}, {high}, U {U}, step {step}."
        )
    begin, end, width, unit = (round(value * MICRO) for value in (low, high, U, step))
    return ((begin - width) // unit) * unit / MICRO, -((-end - width) // unit) * unit / MICRO


def quantity_extents(judgement: Judgement, setup: Setup, inside: slice) -> list[Extent]:
    """Extremes of each quantity in each medium of the zone, over some cells of a judgement.

    Probes in supply air and outdoors are not the zone. A channel without a reading that has a U is left out:
    `not_counted` names it.
    """
    by_group: dict[tuple[str, str], Extent] = {}
    probes: dict[tuple[str, str], set[str]] = {}
    for key, cells in judgement.cells.items():
        extent = _extent(cells, inside) if key in setup.channels else None
        if extent is None:
            continue
        for medium in _media(setup, judgement, key, inside):
            group = extent.quantity, medium
            by_group[group] = _union(by_group.get(group), replace(extent, medium=medium))
            probes.setdefault(group, set()).add(cells.channel.probe)
    limits = {group: _limits(judgement.findings, group[0], probes[group], inside) for group in by_group}
    return [replace(by_group[group], limits=limits[group]) for group in sorted(by_group, key=_order)]


def _extent(cells: Cells, inside: slice) -> Extent | None:
    usable = cells.placed[inside] & (cells.count[inside] > 0) & np.isfinite(cells.U[inside])
    if not usable.any():
        return None
    U = cells.U[inside][usable]
    low, high = cells.low[inside][usable] - U, cells.high[inside][usable] + U
    least, most, largest = (float(end) / MICRO for end in (low.min(), high.max(), U.max()))
    return Extent(cells.channel.quantity, "", least, most, largest)


def _union(first: Extent | None, second: Extent) -> Extent:
    if first is None:
        return second
    return replace(
        second, low=min(first.low, second.low), high=max(first.high, second.high), U=max(first.U, second.U)
    )  # fmt: skip


def _limits(
    findings: Sequence[Finding], quantity: str, probes: set[str], inside: slice
) -> tuple[Limits, ...]:
    """Limits of the rules in force that apply to one of the probes, each once."""
    rules: Iterable[Rule] = (
        f.rule
        for f in findings
        if f.rule.kind == "limit"
        and f.rule.quantity == quantity
        and probes & set(f.labels)
        and f.conformity[inside].any()
    )
    return tuple(dict.fromkeys((r.lower, r.upper) for r in sorted(rules, key=lambda r: r.from_ns)))


def _media(setup: Setup, judgement: Judgement, channel: str, inside: slice) -> list[str]:
    grid = judgement.grid.part(inside)
    begin, end = grid.first * grid.step_ns, (grid.first + grid.n) * grid.step_ns
    places = [
        setup.positions[p.position]
        for p in setup.placements_of(channel)
        if p.from_ns < end and (p.to_ns is None or p.to_ns > begin)
    ]
    media = {p.medium for p in places if p.zone == judgement.zone and p.medium in _MEDIA}
    quantity = setup.channels[channel].quantity
    # Humidity and pressure are those of the air whatever the medium of the position.
    return sorted(media) if quantity == "temperature" else ["air"] if media else []


def _order(key: tuple[str, str]) -> tuple[int, int, str]:
    quantity, medium = key
    printed = list(_PRINTED)
    return printed.index(quantity) if quantity in printed else 99, _MEDIA.index(medium), quantity


def conditions_statement(
    check: Check, extents: Sequence[Extent], missing: Sequence[NotCounted], name: str, zone: ZoneInfo
) -> ConditionsStatement:
    """The conditions statement; Refused where the verdict is not shown or nothing was measured.

    missing: readings that did not count; name: of the zone; zone: the time zone of the room.
    """
    if check.verdict == "not shown":
        raise Refused(
            f"No conditions can be stated for {name}: the verdict of this interval is not shown. "
            + check.because
        )
    stated = tuple(_stated_quantity(item) for item in extents if item.quantity in _PRINTED)
    if not stated:
        raise Refused(f"No conditions can be stated for {name}: nothing was measured there.")
    quantities_text = "; ".join(item.text for item in stated)
    not_counted = f" Not counted: {'; '.join(item.text for item in missing)}." if missing else ""
    words = (
        f"Conditions in {name}, {wall_span(check.from_ns, check.to_ns, zone)}: {quantities_text}. The bounds "
        f"include the expanded uncertainty (k = 2) and are rounded outward.{not_counted} "
        f"{_limits_sentence(check)}"
    )
    return ConditionsStatement(words, stated, tuple(missing), check.verdict, str(check.to_dict()["digest"]))


def _limits_sentence(check: Check) -> str:
    if check.verdict == "stable":
        simple = " (simple acceptance)" if check.decision_rule.startswith("simple") else ""
        return f"The limits were kept{simple}."
    if any(c.reason == "nonconforming" and not c.pre_window for c in check.causes):
        return "The limits were exceeded."
    return f"The room was not stable. {check.because}"


def _stated_quantity(extent: Extent) -> StatedQuantity:
    name, unit, factor, least = _PRINTED[extent.quantity]
    step = 10.0 ** _first_digit(extent.U * factor) if extent.U > 0 else least
    ends = extent.low * factor, extent.high * factor
    limits_printed = [(a and a * factor, b and b * factor) for a, b in extent.limits]
    low, high = round_outward(*ends, 0.0, step)
    finer = ""
    while step > 1e-5 and _passes((low, high), ends, limits_printed):
        step /= 10
        low, high = round_outward(*ends, 0.0, step)
        finer = f", rounded to {step:.10f}".rstrip("0") + f" {unit}"
    places = max(0, -round(math.log10(step)))
    bounds = f"{low:.{places}f} {unit} to {high:.{places}f} {unit}".replace("-", "−")
    of = f" ({extent.medium.replace('-', ' ')})" if extent.quantity == "temperature" else ""
    limits = f" ({_limits_text(extent)}{finer})" if extent.limits else ""
    return StatedQuantity(extent.quantity, extent.medium, unit, low, high, f"{name}{of} {bounds}{limits}")


def _first_digit(U: float) -> int:
    """The power of ten of the first digit of U, as U is printed with two.

    >>> _first_digit(0.10), _first_digit(0.0979), _first_digit(0.0996), _first_digit(1.6)
    (-1, -2, -1, 0)
    """
    return math.floor(math.log10(float(f"{U:.1e}")))


def _passes(rounded: Limits, ends: tuple[float, float], limits: Sequence[Limits]) -> bool:
    """Whether rounding alone passes a limit that was kept."""
    low, high = rounded
    return any(
        (lower is not None and low is not None and low < lower <= ends[0])
        or (upper is not None and high is not None and high > upper >= ends[1])
        for lower, upper in limits
    )


def _limits_text(extent: Extent) -> str:
    unit = quantity(extent.quantity).unit
    texts = []
    for lower, upper in extent.limits:
        ends = [None if end is None else limit_text(end, unit).replace("% RH", "%") for end in (lower, upper)]
        if ends[0] and ends[1]:
            texts.append(f"{ends[0]} to {ends[1]}")
        else:
            texts.append(f"at least {ends[0]}" if ends[0] else f"at most {ends[1]}")
    return f"limit{'s' if len(texts) > 1 or ' to ' in texts[0] else ''} {', then '.join(texts)}"
