"""Messages and rows that nodes post: stored once, with their own times, refused whole when they are wrong."""

from __future__ import annotations

import json
import threading

import pytest

from logger.errors import Refused, UnitError, UnknownName
from logger.instants import NS
from logger.model import Config, Message, PushedLine
from logger.probes.clock import boot_id
from logger.service.incoming import Accepted, Duplicate, push, take_rows
from logger.store import Store

from .conftest import NAMES, NOW_NS, with_lines


def message(t: float, at_s: float = 0, **more: object) -> bytes:
    return json.dumps({"time": NOW_NS / NS + at_s, "t": t, "rh": 45.0, **more}).encode()


def test_a_message_is_stored_once_by_node_and_number(store: Store, config: Config) -> None:
    assert push(store, config, "annex", 1, message(20.03), NOW_NS) == Accepted(2, 0)
    assert push(store, config, "annex", 1, message(20.03), NOW_NS) == Accepted(0, 2, repeated=True)
    with pytest.raises(Duplicate, match="Message 1 of annex was received before"):
        push(store, config, "annex", 1, message(20.04), NOW_NS)
    assert push(store, config, "annex", 7, message(20.03), NOW_NS) == Accepted(0, 2)  # sent anew
    assert push(store, config, "annex", 8, message(20.05, 60), NOW_NS + 60 * NS) == Accepted(2, 0)
    result = store.readings.read("P1.temperature", 0, 2**62)
    assert result.value.tolist() == [20.03, 20.05]
    assert result.taken_ns.tolist() == [NOW_NS, NOW_NS + 60 * NS]
    assert not result.late.any()
    assert store.verify().intact


def test_what_was_kept_over_a_lost_link_comes_late_with_its_own_times(store: Store, config: Config) -> None:
    """Three hours of readings once a minute, sent together."""
    remaining = [{"time": NOW_NS / NS - 60 * n, "t": 20.0 + n / 1000, "rh": 45.0} for n in range(180, 0, -1)]
    assert push(store, config, "annex", 1, json.dumps(remaining).encode(), NOW_NS).stored == 360
    result = store.readings.read("P1.temperature", 0, 2**62)
    assert result.taken_ns.tolist() == [NOW_NS - 60 * n * NS for n in range(180, 0, -1)]
    assert result.late.sum() == 178  # all but those of the last two minutes


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (message(20.0, 3600), "future"),
        (message(20.0, -1_792_999_000), "before the year 2000. Set its clock"),
        (b'{"time": "0001-01-01T00:00:00Z", "t": 20.0}', "before the year 2000"),
        (b'{"time": "1969-12-31T23:00:00Z", "t": 20.0}', "before the year 2000"),
        (b'{"time": 1e99999999999999999999, "t": 20.0}', "range of a double"),
        (b'{"time": 1793000000, "t": 1e99999999999999999999}', "range of a double"),
        (b"{}", "expected values of"),
        (b"garbage", "expected JSON"),
        (b'{"time": 1793000000, "t": 20.0, "t": 21.0}', "the name 't' occurs more than once"),
    ],
)
def test_what_cannot_be_stored_is_refused_and_its_number_stays_free(
    store: Store, config: Config, payload: bytes, expected: str
) -> None:
    with pytest.raises(Refused, match=expected):
        push(store, config, "annex", 1, payload, NOW_NS)
    assert push(store, config, "annex", 1, message(20.0), NOW_NS).stored == 2


def test_a_fault_that_is_told_again_is_one_row(store: Store, config: Config) -> None:
    """A broker delivers again what was not acknowledged; that must not make two failures of one."""
    output = json.dumps({"time": NOW_NS / NS, "t": None, "rh": "OL"}).encode()
    assert push(store, config, "annex", 1, output, NOW_NS) == Accepted(2, 0)
    assert push(store, config, "annex", 2, output, NOW_NS) == Accepted(0, 2)
    assert push(store, config, "annex", 3, message(20.03), NOW_NS) == Accepted(2, 0)
    assert len(store.readings.columns("P1.temperature", 0, 2**62)) == 2


def test_an_unknown_node_and_a_wrong_unit_are_named(store: Store, config: Config) -> None:
    with pytest.raises(UnknownName, match="no node 'attic'"):
        push(store, config, "attic", 1, message(20.0), NOW_NS)
    line = PushedLine("P1", "annex", NAMES, Message("senml"))
    pack = b'[{"bn":"","n":"t","u":"K","v":293.15},{"n":"rh","u":"%RH","v":45}]'
    with pytest.raises(UnitError, match=r"t: expected degC|t: expected °C"):
        push(store, with_lines(config, line), "annex", 1, pack, NOW_NS)
    right = pack.replace(b'"K","v":293.15', b'"Cel","v":20.0')
    assert push(store, with_lines(config, line), "annex", 1, right, NOW_NS).stored == 2


@pytest.mark.slow
def test_a_hundred_messages_at_once_twice_each_are_a_hundred(store: Store, config: Config) -> None:
    def send(first: int) -> None:
        for n in range(first, 50):
            push(store, config, "annex", n, message(20.0 + n / 100, n), NOW_NS + n * NS)

    threads = [threading.Thread(target=send, args=(first,)) for first in (0, 0, 25)]
    [t.start() for t in threads]
    [t.join() for t in threads]
    assert len(store.readings.read("P1.temperature", 0, 2**62)) == 50
    assert store.verify().intact


def rows(first: int, count: int) -> list[list[object]]:
    return [
        [
            "P1.temperature",
            NOW_NS + n * NS,
            NOW_NS + n * NS,
            20.0 + n / 100,
            "ok",
            "",
            "poll",
            False,
            "boot",
            n,
        ]
        for n in range(first, first + count)
    ]


def test_rows_of_another_stillroom_are_stored_once_and_in_order(store: Store, config: Config) -> None:
    assert take_rows(store, config, "annex", "a" * 32, 1, rows(1, 10)) == 11
    assert take_rows(store, config, "annex", "a" * 32, 1, rows(1, 12)) == 13  # the answer was lost
    assert take_rows(store, config, "annex", "a" * 32, 5, rows(5, 3)) == 13
    assert take_rows(store, config, "annex", "a" * 32, 20, rows(20, 3)) == 13  # a hole: go on at 13
    result = store.readings.read("P1.temperature", 0, 2**62)
    assert result.value.tolist() == [20.0 + n / 100 for n in range(1, 13)]
    assert store.verify().intact


@pytest.mark.parametrize(
    "row",
    [
        ["P2.temperature", 1, 1, 20.0, "ok", "", "poll", False, "b", 1],
        ["P1.temperature", 1, 1, 20.0, "good", "", "poll", False, "b", 1],
        ["P1.temperature", 1, 1, "20", "ok", "", "poll", False, "b", 1],
        ["P1.temperature", 1.5, 1, 20.0, "ok", "", "poll", False, "b", 1],
        ["P1.temperature", 1, 1, True, "ok", "", "poll", False, "b", 1],
        ["P1.temperature", 1, 1, 20.0, "ok", "", "poll", False, "b"],
        ["P1.temperature", 10**19, 1, 20.0, "ok", "", "poll", False, "b", 1],
        ["P1.temperature", 1, -(10**19), 20.0, "ok", "", "poll", False, "b", 1],
    ],
)
def test_a_row_that_is_none_stores_nothing_of_its_batch(
    store: Store, config: Config, row: list[object]
) -> None:
    with pytest.raises(Refused):
        take_rows(store, config, "annex", "a" * 32, 1, [*rows(1, 2), row])
    assert store.readings.channels() == []


def test_what_a_node_could_not_send_for_hours_is_late_at_the_centre(store: Store, config: Config) -> None:
    """The node took it at its time and calls it in time; here nobody can be told of it in time any more."""
    taken_ns = [NOW_NS - 3 * 3600 * NS, NOW_NS - 60 * NS, NOW_NS]
    output = [["P1.temperature", ns, ns, 20.0 + n, "ok", "", "poll", False, "boot-a", ns]
            for n, ns in enumerate(taken_ns)]  # fmt: skip
    take_rows(store, config, "annex", "a" * 32, 1, output, NOW_NS)
    assert store.readings.read("P1.temperature", 0, 2**62).late.tolist() == [True, False, False]


def test_an_unsure_clock_refuses_no_message_for_its_time(store: Store, config: Config) -> None:
    """This machine woke up an hour early: what a probe says of its own time is no worse than that."""
    early_ns = NOW_NS - 3600 * NS
    with pytest.raises(Refused, match="future"):
        push(store, config, "annex", 1, message(20.0), early_ns)
    store.clocks.record_doubt(boot_id(), early_ns, "it shows an hour before the newest reading")
    assert push(store, config, "annex", 1, message(20.0), early_ns) == Accepted(2, 0)
    assert store.readings.read("P1.temperature", 0, 2**62).taken_ns.tolist() == [NOW_NS]
    assert store.clocks.comparisons("P1") == []


def test_what_is_dated_by_an_unsure_clock_waits_for_its_correction(store: Store, example: Config) -> None:
    dated = with_lines(example, PushedLine("P1", "annex", NAMES, Message(time="arrival")))
    store.clocks.record_doubt(boot_id(), 0, "it shows 1970")
    assert push(store, dated, "annex", 1, b'{"t": 20.0, "rh": 45.0}', 60 * NS) == Accepted(2, 0)
    assert len(store.readings.read("P1.temperature", 0, 2**62)) == 0
    (row,) = (r for _, r in store.readings.arrived_after(0)[0] if r.channel == "P1.temperature")
    with store.begin() as conn:
        store.clocks.record_correction(
            boot_id(), NOW_NS - row.monotonic_ns, "Greta Holm", "radio clock", conn
        )
    moved = store.readings.read("P1.temperature", 0, 2**62).taken_ns.tolist()
    assert moved == [NOW_NS]
