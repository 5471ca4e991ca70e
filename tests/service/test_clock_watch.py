"""A clock that is wrong at boot: what it stamps is marked, and mended by a recorded correction."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.instants import NS
from logger.model import Row
from logger.probes.clock import boot_id
from logger.service.clock_watch import ClockWatch
from logger.store import Store
from logger.store.hot.clocks import UNSURE

NOW_NS = 1_793_000_000 * NS


class Hands:
    """Wall and monotonic time as a test sets them."""

    def __init__(self, wall_ns: int) -> None:
        self.mono_ns = 5 * NS
        self.base_ns = wall_ns - self.mono_ns

    def wall_ns(self) -> int:
        return self.base_ns + self.mono_ns

    def monotonic_ns(self) -> int:
        return self.mono_ns


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "data", create=True) as opened:
        opened.append("poll", [Row("P1.temperature", NOW_NS, NOW_NS, 20.0)])
        yield opened


def row(hands: Hands, value: float) -> Row:
    return Row(
        "P1.temperature", hands.wall_ns(), hands.wall_ns(), value, boot=boot_id(), monotonic_ns=hands.mono_ns
    )


def watch(store: Store, hands: Hands, synced: list[bool | None], demanded: bool = False) -> ClockWatch:
    item = ClockWatch(store, hands, lambda *_: None, demanded=demanded, synchronised=lambda: synced[0])  # type: ignore[arg-type]
    item.begin()
    return item


@pytest.mark.parametrize("shown", [60 * NS, NOW_NS - 3600 * NS])
def test_a_clock_before_what_is_stored_is_unsure_until_it_is_set(store: Store, shown: int) -> None:
    hands, synced = Hands(shown), [False]
    watcher = watch(store, hands, synced)  # type: ignore[arg-type]
    assert "before" in watcher.why
    store.append("poll", watcher.mark_unsure([row(hands, 21.0)]))
    hands.mono_ns += 60 * NS
    store.append("poll", watcher.mark_unsure([row(hands, 22.0)]))
    watcher.check()
    assert watcher.why
    assert store.readings.read("P1.temperature", 0, 2**62).value.tolist() == [20.0]
    hands.base_ns = NOW_NS + 1000 * NS  # somebody, or a time server, sets it right
    assert list(store.clocks.unsure_boots()) == [boot_id()]
    watcher.check()
    assert not watcher.why
    assert store.clocks.unsure_boots() == {}
    moved = store.readings.read("P1.temperature", 0, 2**62)
    assert moved.value.tolist() == [20.0, 21.0, 22.0]
    assert moved.taken_ns.tolist()[1:] == [NOW_NS + 1005 * NS, NOW_NS + 1065 * NS]
    assert watcher.mark_unsure([row(hands, 23.0)])[0].source == "poll"
    assert [e.who for e in store.journal.entries(kind="clock-correction")] == ["stillroom"]
    assert store.verify().intact


def test_catching_up_by_itself_does_not_make_a_wrong_clock_right(store: Store) -> None:
    hands = Hands(NOW_NS - 3600 * NS)
    watcher = watch(store, hands, [None])
    hands.mono_ns += 7200 * NS
    watcher.check()
    assert watcher.why


def test_a_clock_that_must_be_synchronised_is_unsure_until_it_is(store: Store) -> None:
    hands, synced = Hands(NOW_NS + NS), [False]
    watcher = watch(store, hands, synced, demanded=True)  # type: ignore[arg-type]
    assert watcher.why == "the system has not synchronised it"
    assert watcher.mark_unsure([row(hands, 21.0)])[0].source == UNSURE
    synced[0] = True
    watcher.check()
    assert not watcher.why


def test_a_good_clock_is_believed_and_nothing_is_said(store: Store) -> None:
    hands = Hands(NOW_NS - 5 * NS)  # a small step back by a time server
    watcher = watch(store, hands, [None])
    assert not watcher.why
    assert store.journal.entries(kind="clock-correction") == []


@pytest.mark.parametrize("step_s", [-3600, 3600])
def test_a_step_while_running_is_doubted_from_the_first_reading_on(store: Store, step_s: int) -> None:
    """Nobody knows which of both was right, until somebody says so; readings before it stand."""
    hands = Hands(NOW_NS + 60 * NS)
    watcher = watch(store, hands, [None])
    store.append("poll", watcher.mark_unsure([row(hands, 21.0)]))
    hands.mono_ns += 60 * NS
    hands.base_ns += step_s * NS
    store.append("poll", watcher.mark_unsure([row(hands, 22.0)]))  # a bus comes before the check
    watcher.check()
    assert watcher.why == f"it stepped by {step_s:+d} s, and no time server confirms it"
    hands.mono_ns += 60 * NS
    store.append("poll", watcher.mark_unsure([row(hands, 23.0)]))
    watcher.check()
    assert store.readings.read("P1.temperature", 0, 2**62).value.tolist() == [20.0, 21.0]

    (doubt,) = store.clocks.unsure_boots().values()
    with store.begin() as conn:
        store.clocks.record_correction(
            boot_id(), doubt.base_ns - step_s * NS, "Greta Holm", "radio clock", conn
        )
    watcher.check()
    assert not watcher.why
    readings = store.readings.read("P1.temperature", 0, 2**62)
    assert readings.value.tolist() == [20.0, 21.0, 22.0, 23.0]
    assert readings.taken_ns.tolist()[1:] == [NOW_NS + (60 + 60 * n) * NS for n in range(3)]
    watcher.check()
    assert not watcher.why


def test_a_doubt_that_nobody_settled_outlives_the_service(store: Store) -> None:
    hands = Hands(NOW_NS + 60 * NS)
    first = watch(store, hands, [None])
    hands.base_ns += 3600 * NS
    first.check()
    assert first.why
    again = watch(store, hands, [None])  # started anew, with a clock that shows nothing impossible
    assert again.why == first.why
    assert again.mark_unsure([row(hands, 21.0)])[0].source == UNSURE
    assert len(store.journal.entries(kind="clock-unsure")) == 1
    hands.base_ns -= 3600 * NS
    assert watch(store, hands, [None]).why
    again.check()  # set back, which somebody did
    assert not again.why


def test_a_step_by_a_time_server_is_believed(store: Store) -> None:
    hands = Hands(NOW_NS + 60 * NS)
    watcher = watch(store, hands, [True])
    hands.base_ns += 40 * NS
    assert watcher.mark_unsure([row(hands, 21.0)])[0].source == "poll"
    watcher.check()
    assert not watcher.why
    assert store.clocks.unsure_boots() == {}


def test_a_correction_says_nothing_of_a_doubt_that_came_after_it(store: Store) -> None:
    """The clock woke up in 1970 and was set; later it was set wrong, and nobody has found out by how much."""
    hands = Hands(60 * NS)
    watcher = watch(store, hands, [None])
    store.append("poll", watcher.mark_unsure([row(hands, 21.0)]))
    hands.mono_ns += 60 * NS
    hands.base_ns = NOW_NS
    watcher.check()
    assert not watcher.why
    first = store.readings.read("P1.temperature", 0, 2**62)
    assert first.value.tolist() == [20.0, 21.0]

    hands.mono_ns += 60 * NS
    hands.base_ns -= 600 * NS
    store.append("poll", watcher.mark_unsure([row(hands, 22.0)]))
    watcher.check()
    assert list(store.clocks.unsure_boots()) == [boot_id()]
    assert store.readings.read("P1.temperature", 0, 2**62).taken_ns.tolist() == first.taken_ns.tolist()
    with store.begin() as conn:
        store.clocks.record_correction(boot_id(), NOW_NS + 5 * NS, "Greta Holm", "radio clock", conn)
    readings = store.readings.read("P1.temperature", 0, 2**62)
    assert readings.value.tolist() == [20.0, 21.0, 22.0]
    assert readings.taken_ns.tolist() == [*first.taken_ns.tolist(), NOW_NS + (125 + 5) * NS]
    assert store.verify().intact


def test_a_doubt_that_a_kill_left_unrecorded_is_recorded_at_the_next_start(store: Store) -> None:
    """A bus met the step and marked its row, then the service was killed: the next one doubts, too."""
    hands = Hands(NOW_NS + 60 * NS)
    watcher = watch(store, hands, [None])
    hands.mono_ns += 60 * NS
    hands.base_ns += 3600 * NS
    store.append("poll", watcher.mark_unsure([row(hands, 22.0)]))
    assert store.clocks.unsure_boots() == {}

    again = watch(store, hands, [None])

    assert again.why
    assert list(store.clocks.unsure_boots()) == [boot_id()]
