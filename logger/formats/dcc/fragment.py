r"""Conditions of a measurement as a fragment of a Digital Calibration Certificate: dcc:influenceConditions.

A calibration laboratory sets it into a certificate of its own; we calibrate nothing. The schema takes any
text as a unit, so the list of units here is closed. Element names: DCC 3.2 with D-SI 2.1, or DCC 3.3 with
D-SI 2.2, which names the uncertainty differently.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .document import DCC, SI

if TYPE_CHECKING:
    from lxml.etree import _Element as Element

SCHEMAS = ("3.2", "3.3")
NOT_VALIDATED = ("3.3",)  # no copy of this schema was at hand
# Quantity -> reference type, unit, unit of its uncertainty.
_WRITTEN: Mapping[str, tuple[str, str, str]] = {
    "temperature": ("basic_temperature", r"\degreecelsius", r"\kelvin"),
    "relative_humidity": ("basic_humidityRelative", r"\percent", r"\percent"),
    "pressure": ("basic_pressure", r"\pascal", r"\pascal"),
}
_ZERO_C_IN_K = 273.15


@dataclass(frozen=True)
class MeasuredRange:
    """Least and greatest value of a quantity in one medium in degC, %RH or Pa; U: expanded, k = 2."""

    quantity: str
    medium: str
    low: float
    high: float
    U: float | None

    @property
    def writable(self) -> bool:
        """Whether a fragment has a unit for it."""
        return self.quantity in _WRITTEN


def fragment(
    ranges: Sequence[MeasuredRange],
    description: str,
    without: str = "",
    *,
    schema: str = "3.2",
    kelvin: bool = False,
) -> bytes:
    """The fragment in UTF-8. description: interval and stamp; without: why no range is stated.

    kelvin: temperatures in °C and in K side by side (si:hybrid).
    """
    from lxml import etree

    namespaces: Any = {"dcc": DCC[1:-1], "si": SI[1:-1]}
    root = etree.Element(f"{DCC}influenceConditions", nsmap=namespaces)
    root.append(etree.Comment(_note(schema)))
    written = [r for r in ranges if r.writable]
    for item in written:
        _condition(root, item, description, schema, kelvin)
    if not written:
        condition = _child(root, "influenceCondition")
        _words(condition, "name", "environmental conditions")
        _words(condition, "description", description)
        _words(_child(condition, "data"), "text", without or "Nothing was measured.")
    etree.indent(root)
    content: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8") + b"\n"
    return content


def _note(schema: str) -> str:
    checked = " Not validated: no copy of the schema 3.3 was at hand." if schema in NOT_VALIDATED else ""
    return f" For a certificate by the schema {schema}.{checked} "


def _condition(root: Element, item: MeasuredRange, description: str, schema: str, kelvin: bool) -> None:
    kind = _WRITTEN[item.quantity][0]
    condition = _child(root, "influenceCondition", refType=kind)
    words = item.quantity.replace("_", " ")
    _words(condition, "name", f"{words} ({item.medium})" if item.quantity == "temperature" else words)
    _words(condition, "description", description)
    data = _child(condition, "data")
    for end, value, name in (("Min", item.low, "least"), ("Max", item.high, "greatest")):
        quantity = _child(data, "quantity", refType=f"{kind}{end}")
        _words(quantity, "name", f"{name} value measured")
        _value(quantity, item, value, schema, kelvin)


def _value(quantity: Element, item: MeasuredRange, value: float, schema: str, kelvin: bool) -> None:
    from lxml import etree

    _, unit, unit_of_U = _WRITTEN[item.quantity]
    if item.quantity == "temperature" and kelvin:
        hybrid = etree.SubElement(quantity, f"{SI}hybrid")
        _real(hybrid, value, unit, item.U, schema)
        _real(hybrid, value + _ZERO_C_IN_K, unit_of_U, item.U, schema)
    else:
        _real(quantity, value, unit, item.U, schema)


def _real(parent: Element, value: float, unit: str, U: float | None, schema: str) -> None:
    from lxml import etree

    real = etree.SubElement(parent, f"{SI}real")
    etree.SubElement(real, f"{SI}value").text = plain(value)
    etree.SubElement(real, f"{SI}unit").text = unit
    if U is None:
        return
    if schema == "3.2":
        box, name = etree.SubElement(real, f"{SI}expandedUnc"), "uncertainty"
    else:
        outer = etree.SubElement(real, f"{SI}measurementUncertaintyUnivariate")
        box, name = etree.SubElement(outer, f"{SI}expandedMU"), "valueExpandedMU"
    for tag, text in ((name, plain(U)), ("coverageFactor", "2"), ("coverageProbability", "0.95")):
        etree.SubElement(box, f"{SI}{tag}").text = text


def plain(value: float) -> str:
    """A number to a millionth of its unit, without zeros at its end.

    >>> plain(20.03), plain(101325.0), plain(-0.0)
    ('20.03', '101325', '0')
    """
    digits = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if digits == "-0" else digits


def _child(parent: Element, tag: str, **attributes: str) -> Element:
    from lxml import etree

    return etree.SubElement(parent, f"{DCC}{tag}", attributes)


def _words(parent: Element, tag: str, words: str) -> None:
    from lxml import etree

    etree.SubElement(_child(parent, tag), f"{DCC}content", lang="en").text = words
