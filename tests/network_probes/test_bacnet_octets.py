"""Answers to ReadPropertyMultiple, split by us, against the same answers as bacpypes3 reads them."""

from __future__ import annotations

from typing import Any

import pytest

from logger.probes.bacnet_octets import NoAnswer, object_of, properties_in, value_in

from .conftest import installed

LONG = "Fühler im Maschinenraum, " * 30  # its length takes three octets


def _answer() -> Any:
    """An answer with each kind of property that is read, an error, an index and a long text."""
    from bacpypes3.apdu import ReadPropertyMultipleACK
    from bacpypes3.basetypes import (
        ErrorType,
        ReadAccessResult,
        ReadAccessResultElement,
        ReadAccessResultElementChoice,
        StatusFlags,
    )
    from bacpypes3.primitivedata import (
        Boolean,
        CharacterString,
        ClosingTag,
        Enumerated,
        ObjectIdentifier,
        OpeningTag,
        Real,
        TagList,
    )

    def value(number: int, element: Any, index: int | None = None) -> Any:
        content = TagList([OpeningTag(4), *element.encode(), ClosingTag(4)])
        choice = ReadAccessResultElementChoice(propertyValue=content)
        return ReadAccessResultElement(propertyIdentifier=number, propertyArrayIndex=index, readResult=choice)

    error = ErrorType(errorClass="property", errorCode="unknown-property")
    refused = ReadAccessResultElement(
        propertyIdentifier=103, readResult=ReadAccessResultElementChoice(propertyAccessError=error)
    )
    device = [value(75, ObjectIdentifier("device,4194")), value(28, CharacterString(LONG))]
    point = [
        value(85, Real(-1.5)), value(111, StatusFlags([0, 1, 0, 1])), refused, value(117, Enumerated(62)),
        value(81, Boolean(1)), value(81, Boolean(0), 3),
    ]  # fmt: skip
    return ReadPropertyMultipleACK(
        listOfReadAccessResults=[
            ReadAccessResult(objectIdentifier="device,4194", listOfResults=device),
            ReadAccessResult(objectIdentifier="analog-input,4194302", listOfResults=point),
        ]
    )


@pytest.fixture(scope="module")
def octets() -> bytes:
    """The answer as it stands on the wire."""
    installed("bacpypes3")
    return bytes(_answer().encode().pduData)


def _of_library(owner: bytes) -> str:
    kind, number = object_of(owner)
    return f"{kind},{number}"


def test_each_property_is_what_the_library_reads(octets: bytes) -> None:
    content = [(_of_library(each.owner), each.number, value_in(*each)) for each in properties_in(octets)]
    error = content[4][2]
    assert (str(error.errorClass), str(error.errorCode)) == ("property", "unknown-property")
    assert content[:4] + content[5:] == [
        ("device,4194", 75, (8, 4194)),
        ("device,4194", 28, LONG),
        ("analog-input,4194302", 85, -1.5),
        ("analog-input,4194302", 111, [0, 1, 0, 1]),
        ("analog-input,4194302", 117, 62),
        ("analog-input,4194302", 81, 1),
        ("analog-input,4194302", 81, 0),
    ]


def test_an_answer_that_is_cut_off_is_none(octets: bytes) -> None:
    """Wherever it ends: between two objects alone the part before it is whole."""
    whole = []
    for end in range(len(octets)):
        try:
            whole.append([each.number for each in properties_in(octets[:end])])
        except NoAnswer:
            continue
    assert whole == [[], [75, 28]]


def test_octets_that_are_no_answer_raise_nothing_else(octets: bytes) -> None:
    """Each of the first and of the last octets replaced; in a text or a number many others may stand."""
    spoilt = 0
    for at in [*range(24), *range(len(octets) - 24, len(octets))]:
        for octet in range(0, 256, 5):
            try:
                for each in properties_in(octets[:at] + bytes([octet]) + octets[at + 1 :]):
                    value_in(*each)
            except NoAnswer:
                spoilt += 1
    assert spoilt > 1000


@pytest.mark.parametrize(
    ("octets", "why"),
    [
        (bytes([0x75, 4, 0, 0x45, 0x52, 0x52]), "of another type than the property: ERR"),
        (bytes([0x44, 0x41, 0xA0, 0, 0, 0x44, 0x41, 0xA0, 0, 0]), "more than one value"),
        (b"", "of another type than the property: nothing"),
    ],
    ids=["text", "two numbers", "nothing"],
)
def test_a_value_that_is_no_number_is_none(octets: bytes, why: str) -> None:
    installed("bacpypes3")
    with pytest.raises(NoAnswer, match=why):
        value_in(bytes([0, 0, 0, 1]), 85, octets, False)
