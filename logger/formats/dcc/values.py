"""Values of the D-SI format, with their uncertainty, in the canonical unit of a quantity.

D-SI 2.1 (certificates 3.1 and 3.2) and 2.2 (3.3) name the uncertainty differently; both are read. A
list may give one token for all its values: it is spread. A hybrid states the same values in several
units, its uncertainty often in the first of them alone: it is scaled to the unit that is used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .document import SI, text

if TYPE_CHECKING:
    from lxml.etree import _Element as Element

_PREFIXES: Mapping[str, float] = {
    "micro": 1e-6, "milli": 1e-3, "centi": 1e-2, "deci": 0.1, "hecto": 100.0, "kilo": 1e3, "mega": 1e6,
}  # fmt: skip
# Base unit -> quantity, canonical = value · factor + offset.
_UNITS: Mapping[str, tuple[str, float, float]] = {
    "degreecelsius": ("temperature", 1.0, 0.0),
    "kelvin": ("temperature", 1.0, -273.15),
    "percent": ("relative_humidity", 1.0, 0.0),
    "one": ("relative_humidity", 100.0, 0.0),
    "pascal": ("pressure", 1.0, 0.0),
    "bar": ("pressure", 1e5, 0.0),
}
CANONICAL: Mapping[str, str] = {"temperature": "degC", "relative_humidity": "%RH", "pressure": "Pa"}
# Where the uncertainty stands: container, its values, factor k fixed or stated beside it.
_EXPANDED = (
    ("expandedUnc", "uncertainty", None),
    ("measurementUncertaintyUnivariate/expandedMU", "valueExpandedMU", None),
    ("measurementUncertaintyUnivariate/standardMU", "valueStandardMU", 1.0),
)


class Unreadable(Exception):
    """Values that cannot be used; its text says why. Never leaves this package."""


@dataclass(frozen=True)
class QuantityValues:
    """n values of a quantity in its canonical unit, with U and k of each where they are stated."""

    quantity: str
    value: tuple[float, ...]
    U: tuple[float, ...] | None
    k: tuple[float, ...] | None


def unit(text: str) -> tuple[str, float, float]:
    r"""Quantity, factor and offset of a D-SI unit.

    >>> unit(r"\hecto\pascal"), unit(r"\milli\kelvin")[:2]
    (('pressure', 100.0, 0.0), ('temperature', 0.001))
    """
    parts = [p for p in text.strip().lower().split("\\") if p]
    prefix = _PREFIXES.get(parts[0]) if len(parts) == 2 else 1.0
    if not parts or prefix is None or parts[-1] not in _UNITS:
        raise Unreadable(f"the unit {text or 'not stated'}")
    quantity, factor, offset = _UNITS[parts[-1]]
    return quantity, prefix * factor, offset


def values_of(quantity: Element, *, difference: bool) -> QuantityValues:
    """The values of one dcc:quantity; of a `difference` (an error) an offset of the unit takes no part."""
    parts = quantity.findall(f"{SI}hybrid/*") or [c for c in quantity if str(c.tag).startswith(SI)]
    lists = [p for p in parts if p.tag in (f"{SI}real", f"{SI}realListXMLList")]
    if not lists:
        raise Unreadable("no si:real and no si:realListXMLList")
    read = [_list(part, difference=difference) for part in lists]
    # Of several units the one that people read, as it is not rounded in passing.
    chosen = next((v for v, part in zip(read, lists, strict=True) if _usual(part)), read[0])
    stated = next((v for v in read if v.U is not None), chosen)
    if {v.quantity for v in read} != {chosen.quantity} or len({len(v.value) for v in read}) > 1:
        raise Unreadable("a hybrid of lists that do not say the same")
    return QuantityValues(chosen.quantity, chosen.value, stated.U, stated.k)


def _usual(part: Element) -> bool:
    return any(word in "".join(_words(part, "unit")) for word in ("degreecelsius", "percent"))


def _words(part: Element | None, name: str) -> list[str]:
    """Words of a child, which has the same name with XMLList behind it in a list."""
    if part is None:
        return []
    child = part.find(SI + name)
    child = part.find(f"{SI}{name}XMLList") if child is None else child
    return [] if child is None else text(child).split()


def _list(part: Element, *, difference: bool) -> QuantityValues:
    numbers = _numbers(_words(part, "value"), "value")
    n = len(numbers)
    units = [unit(word) for word in spread(_words(part, "unit"), n, "units")]
    if len({quantity for quantity, _, _ in units}) != 1:
        raise Unreadable("one list of several quantities")
    value = tuple(x * f + (0.0 if difference else o) for x, (_, f, o) in zip(numbers, units, strict=True))
    U, k = _uncertainty(part, n)
    scaled = None if U is None else tuple(u * f for u, (_, f, _) in zip(U, units, strict=True))
    # Twelve digits free 0.5 · 100 and 293.15 − 273.15 of their last bits.
    return QuantityValues(units[0][0], tuple(round(v, 12) for v in value), scaled, k)


def _uncertainty(part: Element, n: int) -> tuple[tuple[float, ...] | None, tuple[float, ...] | None]:
    for path, name, fixed in _EXPANDED:
        container = _along(part, path)
        words = _words(container, name)
        if not words:
            continue
        U = _numbers(spread(words, n, "uncertainties"), "uncertainty")
        stated = [str(fixed)] if fixed else _words(container, "coverageFactor")
        k = _numbers(spread(stated, n, "coverage factors"), "coverage factor")
        if min(U) <= 0 or min(k) < 1:
            raise Unreadable("an uncertainty that is not above zero, or a coverage factor below 1")
        return U, k
    return None, None


def _along(part: Element, path: str) -> Element | None:
    """A container by its path, with XMLList behind each name in a list."""
    container = part.find("/".join(SI + step for step in path.split("/")))
    return (
        part.find("/".join(f"{SI}{step}XMLList" for step in path.split("/")))
        if container is None
        else container
    )


def spread(words: Sequence[str], n: int, what: str) -> list[str]:
    """One word for all, or one for each."""
    if len(words) == 1:
        return [words[0]] * n
    if len(words) != n:
        raise Unreadable(f"{len(words)} {what} for {n} values")
    return list(words)


def _numbers(words: Sequence[str], what: str) -> tuple[float, ...]:
    try:
        numbers = tuple(float(word) for word in words)
    except ValueError:
        raise Unreadable(f"a {what} that is no number: {' '.join(words)[:60]}") from None
    if not numbers or not all(math.isfinite(x) for x in numbers):
        raise Unreadable(f"no finite {what}")
    return numbers
