"""Messages in JSON and SenML; the packs of SenML are those of RFC 8428."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.formats.senml import NoSenml, records
from logger.instants import NS
from logger.model import Message
from logger.probes.messages import BadMessage, MessageValue, parse_message

NOW_NS = 1_793_000_000 * NS
JSON = Message("json", "time", "clock")


def test_the_packs_of_the_standard() -> None:
    """RFC 8428: 5.1.1 (one point), 5.1.2 (several points, without and with times), 5.1.3 (relative times)."""
    item = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert records(item, NOW_NS)[0].value == 23.1
    several = b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},'
    several += b'{"n":"current","u":"A","v":1.2}]'
    result = records(several, NOW_NS)
    assert [(r.name.rsplit(":", 1)[1], r.unit, r.value) for r in result] == [
        ("voltage", "V", 120.1),
        ("current", "A", 1.2),
    ]
    timed = (
        b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V",'
        b'"v":120.1},{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3}]'
    )
    result = records(timed, NOW_NS)
    assert [r.taken_ns for r in result] == [1276020076001000000, 1276020071001000000, 1276020072001000000]
    assert [r.unit for r in result] == ["V", "A", "A"]
    recent = b'[{"bn":"urn:dev:ow:10e2073a01080063","n":"x","u":"%RH","v":20,"t":-10}]'
    assert records(recent, NOW_NS)[0].taken_ns == NOW_NS - 10 * NS
    based = b'[{"bn":"d","bv":20.0,"n":"t","u":"Cel","v":0.25},{"n":"u","vs":"a text"}]'
    assert [r.value for r in records(based, NOW_NS)] == [20.25, None]


def test_a_time_far_back_is_relative_too() -> None:
    """RFC 8428, 4.5.3: values below 2**28 are relative to now; so are all negative ones."""
    pack = b'[{"n":"t","v":20,"t":-300000000}]'
    assert records(pack, NOW_NS)[0].taken_ns == NOW_NS - 300_000_000 * NS


@pytest.mark.parametrize(
    ("pack", "expected"),
    [
        (b'[{"n":"t","v":20,"secret_":1}]', "must be understood"),
        (b'[{"n":"t","v":20,"bver":11}]', "newer than 10"),
        (b'[{"v":20}]', "expected a name"),
        (b'[{"n":"t","v":"20"}]', "which it cannot be"),
        (b'[{"n":"t","v":NaN}]', "no number"),
        (b'{"n":"t","v":1}', "a list of records"),
        (b"[]", "a list of records"),
        (b"\xff", "a list of records"),
        (b'[{"n":"t","v":1e99999999999999999999}]', "a double can hold"),
        (b'[{"bt":1e999999999,"n":"t","v":1}]', "a double can hold"),
    ],
)
def test_what_is_no_senml_is_refused(pack: bytes, expected: str) -> None:
    with pytest.raises(NoSenml, match=expected):
        records(pack, NOW_NS)


def test_an_object_or_several_with_time_clock_and_values_within_each_other() -> None:
    item = {
        "time": "2026-10-26T08:33:20+01:00",
        "clock": 1793000001.5,
        "air": {"t": 20.03},
        "rh": None,
        "battery": 3.1,
    }
    result = parse_message(json.dumps([item]).encode(), JSON, ("air.t", "rh"), NOW_NS)
    assert result.values == (MessageValue("air.t", 20.03, NOW_NS), MessageValue("rh", None, NOW_NS, "null"))
    assert result.clock_ns == 1793000001_500_000_000


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("[1]", "a list of objects"),
        ("{", "expected JSON"),
        ('{"t": 20}', "expected the time under 'time'"),
        ('{"t": 20, "time": "2026-10-26T08:33:20"}', "with its offset"),
        ('{"t": 20, "time": "yesterday"}', "with its offset"),
        ('{"t": 20, "time": -5}', "with its offset"),
        ('{"T": 20, "time": 1793000000}', "expected values of t"),
        ("1" * 1_000_001, "at most 1000000 bytes"),
        ("[" * 100_000, "expected JSON"),
    ],
)
def test_a_message_that_cannot_be_read_says_why(body: str, expected: str) -> None:
    with pytest.raises(BadMessage, match=expected):
        parse_message(body.encode(), JSON, ("t",), NOW_NS)


@settings(max_examples=150)
@given(
    st.binary(max_size=60)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=8) | st.integers(),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["t", "time", "n", "v", "bt", "clock"]), inner, max_size=4)
        ),
        max_leaves=8,
    ).map(lambda value: json.dumps(value).encode())
)
def test_whatever_comes_is_read_or_refused(body: bytes) -> None:
    for form in (JSON, Message("senml")):
        try:
            result = parse_message(body, form, ("t",), NOW_NS)
        except BadMessage:
            continue
        assert result.values
