"""Octets of an answer to ReadPropertyMultiple, split by property; each distinct value is decoded once.

Identity, unit, flags and reliability stand in every answer and are the same in almost all of them: the
library bacpypes3 decodes what has not been seen before, the rest is compared by its octets. Source of the
form: ANSI/ASHRAE 135, clauses 20.2.1 (tags) and 21 (ReadPropertyMultiple-ACK), as bacpypes3 encodes them.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any, NamedTuple

_OPENING, _CLOSING = 6, 7  # in the place of a length
_BOOLEAN = 1  # an application tag whose length is its value
_OBJECT, _RESULTS, _PROPERTY, _INDEX, _VALUE, _ERROR = 0, 1, 2, 3, 4, 5  # context tags of the answer


class NoAnswer(Exception):
    """Octets that are no answer to ReadPropertyMultiple, or a value that is not of its type."""


class _Tag(NamedTuple):
    number: int
    context: bool
    length: int  # _OPENING, _CLOSING only where `bracket`
    bracket: bool
    begin: int  # of its data
    end: int


class Property(NamedTuple):
    """One property in an answer: the identifier of its object and its value (or error) as octets."""

    owner: bytes
    number: int
    octets: bytes
    is_error: bool


def _tag(octets: bytes, at: int) -> _Tag:
    first = octets[at]
    number, context, length = first >> 4, bool(first & 8), first & 7
    at += 1
    if number == 15:
        number = octets[at]
        at += 1
    if context and length in (_OPENING, _CLOSING):
        return _Tag(number, True, length, True, at, at)
    if not context and number == _BOOLEAN:
        return _Tag(number, False, length, False, at, at)
    if length == 5:
        length = octets[at]
        at += 1
        if length >= 254:
            size = 2 if length == 254 else 4
            length = int.from_bytes(octets[at : at + size], "big")
            at += size
    if at + length > len(octets):
        raise NoAnswer("an answer that is cut off")
    return _Tag(number, context, length, False, at, at + length)


def properties_in(octets: bytes) -> Iterator[Property]:
    """Each property of an answer, in its order. NoAnswer where the octets are none, or are cut off."""
    try:
        yield from _properties_in(octets)
    except IndexError as cut:
        raise NoAnswer("an answer that is cut off") from cut


def _properties_in(octets: bytes) -> Iterator[Property]:
    at = 0
    while at < len(octets):
        tag = _expect(octets, at, _OBJECT)
        owner = octets[tag.begin : tag.end]
        at = _expect(octets, tag.end, _RESULTS, _OPENING).end
        while octets[at] != (_RESULTS << 4 | 8 | _CLOSING):
            tag = _expect(octets, at, _PROPERTY)
            number = int.from_bytes(octets[tag.begin : tag.end], "big")
            tag = _tag(octets, tag.end)
            if tag.context and tag.number == _INDEX and not tag.bracket:
                tag = _tag(octets, tag.end)
            if tag.length != _OPENING or not tag.bracket or tag.number not in (_VALUE, _ERROR):
                raise NoAnswer("an answer of another form")
            end, at = _closing(octets, tag.end)
            yield Property(owner, number, octets[tag.end : end], tag.number == _ERROR)
        at += 1


def _expect(octets: bytes, at: int, number: int, length: int | None = None) -> _Tag:
    tag = _tag(octets, at)
    bracket = length is not None
    if (
        not tag.context
        or tag.number != number
        or tag.bracket != bracket
        or (bracket and tag.length != length)
    ):
        raise NoAnswer("an answer of another form")
    return tag


def _closing(octets: bytes, at: int) -> tuple[int, int]:
    """Where the closing tag begins and ends that belongs to an opening one before `at`."""
    depth = 1
    while True:
        tag = _tag(octets, at)
        if tag.bracket:
            depth += 1 if tag.length == _OPENING else -1
            if depth == 0:
                return at, tag.end
        at = tag.end


@lru_cache(maxsize=1024)
def object_of(owner: bytes) -> Any:
    """The identifier of an object as the library knows it: a pair of type and number."""
    from bacpypes3.primitivedata import ContextTag, ObjectIdentifier, TagList, TagNumber

    if len(owner) != 4:
        raise NoAnswer("an identifier of an object that is not of four octets")
    tag = ContextTag(0, bytearray(owner)).context_to_app(TagNumber.objectIdentifier)
    return ObjectIdentifier.decode(TagList([tag]))


@lru_cache(maxsize=4096)
def value_in(owner: bytes, number: int, octets: bytes, is_error: bool) -> Any:
    """The value of a property of the type that the standard gives it; an ErrorType; None: it has no type.

    NoAnswer where the octets are not of that type, or more than one value.
    """
    from bacpypes3.basetypes import ErrorType
    from bacpypes3.errors import RejectException
    from bacpypes3.pdu import PDUData
    from bacpypes3.primitivedata import TagList

    kind = ErrorType if is_error else _type_of(object_of(owner)[0], number)
    if kind is None:
        return None
    try:
        tags = TagList.decode(PDUData(octets))
        value = kind.decode(tags)
    except (RejectException, ValueError, TypeError, AttributeError, LookupError, RuntimeError) as wrong:
        raise NoAnswer(f"of another type than the property: {_legible(octets)}") from wrong
    if len(tags):
        raise NoAnswer(f"more than one value: {octets[:16].hex()}")
    return value


def _legible(octets: bytes) -> str:
    """A text as people read it; what is none in hexadecimal digits."""
    text = octets[3 if octets[:1] == b"\x75" else 2 :].decode("utf-8", "replace")
    if octets and octets[0] >> 4 == 7 and text.isprintable():
        return text
    return octets[:16].hex() or "nothing"


def _type_of(object_type: Any, number: int) -> Any:
    from bacpypes3.basetypes import PropertyIdentifier
    from bacpypes3.vendor import get_vendor_info

    standard = get_vendor_info(0).get_object_class(object_type)
    return None if standard is None else standard.get_property_type(PropertyIdentifier(number))
