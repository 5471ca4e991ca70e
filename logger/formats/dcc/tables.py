"""Results of a certificate to tables of points: reference, indication, correction, U.

    correction = reference − indication = −(measurement error)

Two of reference, indication and error give the third; where all three stand they must agree within U,
for a turned sign is the classic mistake. Points of one place reached from below and from above are
merged: their mean, with half their difference as a rectangle (JCGM 100, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from .document import DCC, every, name_of, tokens
from .values import CANONICAL, QuantityValues, Unreadable, values_of

if TYPE_CHECKING:
    from lxml.etree import _Element as Element

Taken = Literal["", "as found", "as left"]
_ROLES: Mapping[str, str] = {
    "basic_referenceValue": "reference",
    "basic_measuredValue": "indication",
    "basic_measurementError": "error",
    "basic_measurementError_error": "error",
    "basic_measurementError_correction": "correction",
}
# The schema has no word of its own for it; these are the ones that laboratories write.
_BEFORE = ("beforeadjustment", "asfound", "precalibration")
_AFTER = ("afteradjustment", "asleft", "postcalibration")


@dataclass(frozen=True)
class TablePoint:
    """One point in the table's unit; U with the table's k. `merged`: of so many points."""

    reference: float
    indication: float
    correction: float
    U: float
    merged: int = 1


@dataclass(frozen=True)
class PointTable:
    """Points of one quantity, ascending in indication, in `unit`, the canonical one."""

    quantity: str
    unit: str
    k: float
    taken: Taken
    name: str
    points: tuple[TablePoint, ...]


def tables_of(root: Element) -> tuple[tuple[PointTable, ...], tuple[str, ...]]:
    """Every table that can be used, and a sentence for each that cannot."""
    tables: list[PointTable] = []
    left_out: list[str] = []
    for measurement in every(root, "measurementResult"):
        for result in every(measurement, "result"):
            name = name_of(result, "name") or name_of(measurement, "name") or "a result without a name"
            for group in _groups(result):
                kind = _state([measurement, result, *group])
                _add(group, name, kind, tables, left_out)
    return tuple(tables), tuple(left_out)


def _groups(result: Element) -> Iterator[list[Element]]:
    """Quantities that stand side by side: in the data itself, and in each list."""
    for container in result.iter(f"{DCC}data", f"{DCC}list"):
        if group := container.findall(f"{DCC}quantity"):
            yield group


def _state(elements: Sequence[Element]) -> Taken:
    words = {word.lower().replace("_", "") for element in elements for word in tokens(element)}
    before = any(mark in word for word in words for mark in _BEFORE)
    after = any(mark in word for word in words for mark in _AFTER)
    if before == after:
        return ""
    return "as found" if before else "as left"


def _add(
    group: Sequence[Element], name: str, kind: Taken, tables: list[PointTable], left_out: list[str]
) -> None:
    roles: dict[str, dict[str, QuantityValues]] = {}
    for quantity in group:
        role = next((_ROLES[word] for word in sorted(tokens(quantity)) if word in _ROLES), None)
        if role is None:
            continue
        try:
            values = values_of(quantity, difference=role in ("error", "correction"))
        except Unreadable as error:
            left_out.append(f"{name}: {name_of(quantity, 'name') or role} has {error}")
            return
        if role in roles.setdefault(values.quantity, {}):
            left_out.append(f"{name}: two lists of {role} of one quantity side by side")
            return
        roles[values.quantity][role] = values
    for of, quantities in roles.items():
        try:
            k, points = _points(quantities)
        except Unreadable as error:
            left_out.append(f"{name}: {of.replace('_', ' ')} has {error}")
            continue
        tables.append(PointTable(of, CANONICAL[of], k, kind, name, points))


def _points(quantities: Mapping[str, QuantityValues]) -> tuple[float, tuple[TablePoint, ...]]:
    n = max(len(values.value) for values in quantities.values())
    if any(len(values.value) not in (1, n) for values in quantities.values()):
        raise Unreadable("lists of different lengths")
    columns = {
        role: values.value * (n if len(values.value) == 1 else 1) for role, values in quantities.items()
    }
    error = columns.get("error") or tuple(-c for c in columns.get("correction", ()))
    reference, indication = columns.get("reference"), columns.get("indication")
    U = _U(quantities, n)
    if reference and indication:
        if error:
            _agree(reference, indication, error, U)
    elif error and indication:
        reference = tuple(i - e for i, e in zip(indication, error, strict=True))
    elif error and reference:
        indication = tuple(r + e for r, e in zip(reference, error, strict=True))
    if not reference or not indication:
        raise Unreadable(f"only {', '.join(quantities)}; two of reference, indication and error are needed")
    rows = zip(reference, indication, U, strict=True)
    return 2.0, _merged([TablePoint(round(r, 9), round(i, 9), round(r - i, 9), u) for r, i, u in rows])


def _U(quantities: Mapping[str, QuantityValues], n: int) -> list[float]:
    """Expanded uncertainty (k = 2) of the correction: the error's own, else those of both values together."""
    with_U = {role: values for role, values in quantities.items() if values.U}
    stated = [values for role, values in with_U.items() if role in ("error", "correction")]
    stated = stated or list(with_U.values())
    if not stated:
        raise Unreadable("no expanded uncertainty")
    squares = [0.0] * n
    for values in stated:
        u = [U / k for U, k in zip(values.U or (), values.k or (), strict=True)]
        u = u * (n if len(u) == 1 else 1)
        squares = [s + x * x for s, x in zip(squares, u, strict=True)]
    return [round(2 * math.sqrt(s), 12) for s in squares]


def _agree(
    reference: Sequence[float], indication: Sequence[float], error: Sequence[float], U: Sequence[float]
) -> None:
    rows = list(zip(reference, indication, error, U, strict=True))
    wrong = [row for row in rows if abs(row[1] - row[0] - row[2]) > row[3]]
    if not wrong:
        return
    r, i, e, _ = wrong[0]
    turned = all(abs(i - r + e) <= U for r, i, e, U in rows)
    why = "; its sign is that of a correction" if turned else ""
    raise Unreadable(f"an error of {e:+g} where indication {i:g} − reference {r:g} is {i - r:+.6g}{why}")


def _merged(points: Sequence[TablePoint]) -> tuple[TablePoint, ...]:
    """Ascending in indication; points whose references lie within U of each other as one."""
    places: list[list[TablePoint]] = []
    for point in sorted(points, key=lambda p: (p.reference, p.indication)):
        if places and point.reference - places[-1][0].reference < max(point.U, places[-1][0].U):
            places[-1].append(point)
        else:
            places.append([point])
    merged = sorted((_merged_point(place) for place in places), key=lambda p: p.indication)
    if len({p.indication for p in merged}) < len(merged):
        raise Unreadable("one indication for two references")
    return tuple(merged)


def _merged_point(place: Sequence[TablePoint]) -> TablePoint:
    n = len(place)
    corrections = [p.correction for p in place]
    half = (max(corrections) - min(corrections)) / 2
    U = 2 * math.sqrt(max(p.U for p in place) ** 2 / 4 + half**2 / 3)
    reference, indication = sum(p.reference for p in place) / n, sum(p.indication for p in place) / n
    return TablePoint(
        round(reference, 9), round(indication, 9), round(sum(corrections) / n, 9), round(U, 9), n
    )
