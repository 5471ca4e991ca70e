"""A correction and its U in one line, from which both can be worked out again by hand.

    −0.130 K = −0.010 (K-24, between 19 and 21 °C) − 0.120 (K-25 found 0.130 K more than K-24 left; linear,
    162.0 of 175.0 days); U 0.082 K = 2·√(0.015² (K-24) + 0.003² (resolution) + 0.038² (K-25))

The figures have as many digits as make the line true: the parts as printed add up to the total as printed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal

from ...model import Certificate, Channel, Setup
from .breakdown import BreakdownForm, CorrectionBreakdown, PartForm, correction_breakdown

FEWEST, MOST = 3, 9
# Values stay in the unit in which the probe indicates; a difference of temperatures is in K.
_NAMES = {"degC": "°C", "degF": "°F", "%RH": "% RH"}
_DIFFERENCES = {**_NAMES, "degC": "K"}
_MINUS = re.compile(r"(?<![\w-])-(?=\d)")  # before a number, not inside the number of a certificate


class WorkedOut(BreakdownForm):
    """The parts of a correction with the line that they add up to."""

    text: str


class RegisterTrace(WorkedOut):
    """A correction worked out at one indication."""

    indication: float
    U: float


def worked_out(parts: CorrectionBreakdown, unit: str) -> WorkedOut:
    """The parts as plain data, and the line of them under `text`; `unit` of the channel."""
    body = parts.to_dict()
    return {**body, "text": trace_text(body, unit)}


def trace_text(worked_out: BreakdownForm, unit: str) -> str:
    """The line for a `CorrectionBreakdown` as plain data; `unit` of the channel, as in its setup.

    >>> parts = {"correction": [{"name": "certificate K-24", "value": -0.0104, "detail": "K-24, at 20 degC"},
    ...                         {"name": "as found", "value": 0.0207, "detail": "K-25"}],
    ...          "standard_uncertainty": [{"name": "certificate K-24", "value": 0.015, "detail": ""}]}
    >>> trace_text(parts, "degC")
    '+0.0103 K = −0.0104 (K-24, at 20 °C) + 0.0207 (K-25); U 0.030 K = 2·√(0.015² (K-24))'
    """
    corrections, uncertain = worked_out["correction"], worked_out["standard_uncertainty"]
    places = sum_places([p["value"] for p in corrections])
    total = sum(p["value"] for p in corrections)
    squares, U_places = root_places([p["value"] for p in uncertain])
    U = 2 * sum(p["value"] ** 2 for p in uncertain) ** 0.5
    name = _DIFFERENCES.get(unit, unit)
    parts = " ".join(_summand(p, places, unit, first=n == 0) for n, p in enumerate(corrections))
    roots = " + ".join(f"{p['value']:.{squares}f}² ({_short(p['name'])})" for p in uncertain)
    return f"{_signed(total, places)} {name} = {parts}; U {U:.{U_places}f} {name} = 2·√({roots or '0'})"


def nominal_indication(channel: Channel, certificate: Certificate) -> float:
    """Where a register states a correction: 20 °C (ISO 1) inside the points, else the middle of them."""
    low, high = certificate.indications[0], certificate.indications[-1]
    reference = {"degC": 20.0, "degF": 68.0}.get(channel.unit)
    inside = reference is not None and low <= reference <= high
    return reference if inside and reference is not None else (low + high) / 2


def register_trace(setup: Setup, channel: str, at_ns: int) -> RegisterTrace | None:
    """Correction and U of a channel at its nominal indication at an instant, with the parts and the line.

    None before its first certificate.
    """
    used = [c for c in setup.certificates_of(channel) if c.valid_from_ns <= at_ns]
    if not used:
        return None
    own, at = setup.channels[channel], nominal_indication(setup.channels[channel], used[-1])
    parts = correction_breakdown(own, setup.certificates_of(channel), at_ns, at)
    if parts is None:
        return None
    where = f"at {_MINUS.sub('−', f'{at:g}')} {_NAMES.get(own.unit, own.unit)}: "
    body = worked_out(parts, own.unit)
    return {
        "indication": at,
        "correction": body["correction"],
        "U": parts.U,
        "standard_uncertainty": body["standard_uncertainty"],
        "text": where + body["text"],
    }


def sum_places(values: Sequence[float]) -> int:
    """Fewest decimals with which rounded parts add up to the rounded sum exactly.

    >>> sum_places([0.0104, 0.0104]), sum_places([-0.01])
    (4, 3)
    """
    total = sum(values)
    for places in range(FEWEST, MOST):
        if sum((_rounded(v, places) for v in values), Decimal(0)) == _rounded(total, places):
            return places
    return MOST


def root_places(values: Sequence[float]) -> tuple[int, int]:
    """Decimals of standard uncertainties and of U = 2·√Σu², so that the former give the latter as printed.

    >>> root_places([0.015, 0.0344])
    (4, 3)
    """
    U = _rounded(2 * sum(v * v for v in values) ** 0.5, FEWEST)
    for places in range(FEWEST, MOST):
        squares = sum((_rounded(v, places) ** 2 for v in values), Decimal(0))
        if round(2 * squares.sqrt(), FEWEST) == U:
            return places, FEWEST
    return MOST, FEWEST


def _rounded(value: float, places: int) -> Decimal:
    return Decimal(f"{value:.{places}f}")


def _summand(part: PartForm, places: int, unit: str, *, first: bool) -> str:
    words = str(part.get("detail") or part["name"]).replace(f" {unit}", f" {_place_unit(part, unit)}")
    words = _MINUS.sub("−", words)
    figure = _signed(part["value"], places)
    return f"{figure if first else f'{figure[0]} {figure[1:]}'} ({words})"


def _place_unit(part: PartForm, unit: str) -> str:
    """A place on a scale is in °C; what was found more or less is a difference, in K."""
    return _DIFFERENCES.get(unit, unit) if " found " in str(part.get("detail")) else _NAMES.get(unit, unit)


def _signed(value: float, places: int) -> str:
    return f"{value:+.{places}f}".replace("-", "−")


def _short(name: str) -> str:
    return name.removeprefix("certificate ")
