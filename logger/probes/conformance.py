"""The tests that every driver must pass, ours and those of plug-ins: pytest runs them.

    from logger.probes.conformance import DriverContract

    class TestBath(DriverContract):
        @pytest.fixture
        def rig(self):
            rig = BathRig()          # a driver and a simulated device at its other end: see `Rig`
            yield rig
            rig.close()

What a device cannot do is said by a class attribute, such as `asks_who_it_is = False`; that test is skipped
with a line that says so.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Protocol, TypeVar

import pytest

from ..errors import ProbeError
from ..processes.deadline import DeadlineExceeded
from .driver import ProbeDriver, Raw
from .foreign import STATUSES

T = TypeVar("T")
PATIENCE_S = 60.0  # ends a failure; a busy machine may take its time
_PAUSE_S = 0.02
_SHOWN = 64
_TRIES = 3  # of an opening that is timed: one of them is enough


class ShiftedClock:
    """The clock of this machine, whose wall time a test sets forward or back. Give it to the driver."""

    def __init__(self) -> None:
        self._ahead_ns = 0

    def step(self, seconds: float) -> None:
        """The wall clock jumps, as it does when it is set."""
        self._ahead_ns += round(seconds * 1e9)

    def wall_ns(self) -> int:
        """See `Clock`."""
        return time.time_ns() + self._ahead_ns

    def monotonic_ns(self) -> int:
        """See `Clock`."""
        return time.monotonic_ns()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """See `Clock`."""
        return stop.wait(max(0.0, seconds))


class Rig(Protocol):
    """A driver, and a device at its other end that does as it is told.

    driver: the one to be tested, made with `clock`; other: a second one on the same wire, None where a wire
    has one probe. timeout_s: how long it waits for an answer, 0.2 to 2 s here. values: at least two sets of
    what the device can show, one value for each channel in the order of `driver.channels`; no number twice.
    other_values: what the other probe shows, always.
    """

    driver: ProbeDriver
    other: ProbeDriver | None
    clock: ShiftedClock
    timeout_s: float
    values: Sequence[Sequence[float]]
    other_values: Sequence[float]

    def answers(self, values: Sequence[float]) -> None:
        """From now on it answers whole and at once, with these values; whatever was wrong is over."""

    def silent(self) -> None:
        """It hears and does not answer, neither who opens nor who asks."""

    def late(self) -> None:
        """Each answer of `driver`'s device comes whole, but 1.5 time-outs after its question."""

    def garbage(self) -> None:
        """What it sends is no answer."""

    def faulty(self) -> None:
        """The first channel has no valid value, the others have."""

    def gone(self) -> None:
        """It is unplugged: switched off, or its process killed."""

    def back(self) -> None:
        """It is there again after `gone`, with the values of before."""

    def swapped(self) -> None:
        """Another device with another serial number answers; `answers` brings the right one back."""


class DriverContract:
    """What a driver promises, as tests; a subclass has a fixture `rig`."""

    asks_who_it_is = True
    answers_late = True  # a file that is read anew each time has no late answers
    can_be_gone = True
    one_value_can_fail = True
    speaks_by_itself = False

    def test_a_whole_answer_is_one_ok_row_for_each_channel_in_order(self, rig: Rig) -> None:
        for values in rig.values:
            rig.answers(values)
            before_ns = rig.clock.wall_ns()
            rows = _good(rig.driver)
            assert [row.channel for row in rows] == list(rig.driver.channels)
            assert [row.value for row in rows] == list(values)
            assert all(before_ns <= row.at_ns <= rig.clock.wall_ns() for row in rows)

    def test_open_and_close_may_be_repeated_and_close_never_raises(self, rig: Rig) -> None:
        rig.driver.close()
        rig.answers(rig.values[0])
        rig.driver.open()
        rig.driver.open()
        assert [row.value for row in _good(rig.driver)] == list(rig.values[0])
        rig.driver.close()
        rig.driver.close()

    def test_who_speaks_only_when_asked_is_not_listened_to(self, rig: Rig) -> None:
        if self.speaks_by_itself:
            pytest.skip("this probe speaks by itself")
        rig.answers(rig.values[0])
        rig.driver.open()
        begun_s = time.monotonic()
        assert rig.driver.listen(begun_s + PATIENCE_S) is False
        assert time.monotonic() - begun_s < PATIENCE_S / 2  # at once

    def test_silence_is_a_timeout_for_each_channel_and_it_recovers(self, rig: Rig) -> None:
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.silent()
        rows = _polled(rig.driver)
        _no_values(rows, rig.driver)
        assert {row.status for row in rows} <= {"timeout", "no-port"}
        self._recovers(rig)

    def test_what_is_no_answer_is_no_value_and_it_recovers(self, rig: Rig) -> None:
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.garbage()
        rows = _polled(rig.driver)
        _no_values(rows, rig.driver)
        assert "ok" not in {row.status for row in rows}
        self._recovers(rig)

    def test_a_late_answer_is_never_that_of_the_next_question(self, rig: Rig) -> None:
        if not self.answers_late:
            pytest.skip("this probe has no late answers")
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.late()
        rows = _polled(rig.driver)
        _no_values(rows, rig.driver)
        assert not {row.value for row in rows} & set(rig.values[0])
        self._recovers(rig)

    def test_a_late_answer_is_never_that_of_the_other_probe_on_the_wire(self, rig: Rig) -> None:
        if rig.other is None or not self.answers_late:
            pytest.skip("no other probe shares its wire")
        assert rig.other.wire is rig.driver.wire
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.late()
        _no_values(_polled(rig.driver), rig.driver)
        rows = _until(lambda: _polled(_other(rig)), lambda rows: _values(rows) != [None] * len(rows))
        assert _values(rows) == list(rig.other_values)
        self._recovers(rig)

    def test_one_value_that_fails_is_a_sensor_fault_beside_good_ones(self, rig: Rig) -> None:
        if not self.one_value_can_fail:
            pytest.skip("no value of this probe can fail alone")
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.faulty()
        rows = _until(lambda: _polled(rig.driver), lambda rows: rows[0].status == "sensor-fault")
        assert rows[0].value is None
        assert [(row.value, row.status) for row in rows[1:]] == [(v, "ok") for v in rig.values[0][1:]]
        self._recovers(rig)

    def test_a_device_that_is_gone_gives_no_value_and_is_found_again(self, rig: Rig) -> None:
        if not self.can_be_gone:
            pytest.skip("this probe cannot be unplugged")
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.gone()
        for _ in range(3):
            _no_values(_polled(rig.driver), rig.driver)
        rig.back()
        assert _values(_good(rig.driver)) == list(rig.values[0])

    def test_an_opening_takes_no_longer_than_the_time_out(self, rig: Rig) -> None:
        """Of some tries one: a busy machine may hold up the others. Twice the time is room for closing."""
        rig.silent()
        took_s = []
        for _ in range(_TRIES):
            rig.driver.close()
            begun_s = time.monotonic()
            with suppress(ProbeError):
                rig.driver.open()
            took_s.append(time.monotonic() - begun_s)
            if took_s[-1] <= 2 * rig.timeout_s:
                return
        raise AssertionError(f"expected an opening within {2 * rig.timeout_s:g} s, found {took_s}")

    def test_another_device_in_its_place_gives_no_values_until_it_is_swapped_back(self, rig: Rig) -> None:
        if not self.asks_who_it_is:
            pytest.skip("this probe cannot be asked who it is")
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.swapped()
        rig.driver.close()
        rows = _until(lambda: _polled(rig.driver), lambda rows: rows[0].status == "wrong-probe")
        assert {(row.value, row.status) for row in rows} == {(None, "wrong-probe")}
        self._recovers(rig)

    def test_another_device_after_a_silence_gives_no_values(self, rig: Rig) -> None:
        """The line stays open, perhaps because others on it answer: who it is must be asked all the same."""
        if not self.asks_who_it_is:
            pytest.skip("this probe is not asked who it is")
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.silent()
        _no_values(_polled(rig.driver), rig.driver)
        rig.answers(rig.values[0])
        rig.swapped()
        rows = _until(lambda: _polled(rig.driver), lambda rows: rows[0].status in ("ok", "wrong-probe"))
        assert {(row.value, row.status) for row in rows} == {(None, "wrong-probe")}
        self._recovers(rig)

    def test_instants_follow_the_clock_of_the_bus_when_it_is_set(self, rig: Rig) -> None:
        rig.answers(rig.values[0])
        _good(rig.driver)
        for step_s in (3600.0, -7200.0):
            rig.clock.step(step_s)
            before_ns = rig.clock.wall_ns()
            rows = _good(rig.driver)
            assert _values(rows) == list(rig.values[0])
            assert all(before_ns <= row.at_ns <= rig.clock.wall_ns() for row in rows)

    def test_no_thread_is_left_when_it_is_closed(self, rig: Rig) -> None:
        before = set(threading.enumerate())
        rig.answers(rig.values[0])
        _good(rig.driver)
        rig.driver.close()
        left = _until(lambda: set(threading.enumerate()) - before, lambda left: not left)
        assert not left

    def _recovers(self, rig: Rig) -> None:
        """From the first value on it gives what the device shows now, not what it showed before."""
        rig.answers(rig.values[1])
        assert _values(_good(rig.driver)) == list(rig.values[1])


def _other(rig: Rig) -> ProbeDriver:
    assert rig.other is not None
    return rig.other


def _polled(driver: ProbeDriver) -> Sequence[Raw]:
    """One poll as a bus does it; a line that is lost is a row as well."""
    try:
        driver.open()
        rows = driver.read()
    except DeadlineExceeded as late:
        rows = [Raw(channel, None, "timeout", 0, str(late)[:_SHOWN]) for channel in driver.channels]
    except ProbeError as lost:
        driver.close()
        rows = [Raw(channel, None, "no-port", 0, str(lost)[:_SHOWN]) for channel in driver.channels]
    for row in rows:
        assert row.status in STATUSES
        assert (row.value is None) == (row.status != "ok")
        assert len(row.raw) <= _SHOWN
        assert row.raw.isprintable()
    return rows


def _good(driver: ProbeDriver) -> Sequence[Raw]:
    """The first answer with a value; the driver may rest before it asks again."""
    rows = _until(lambda: _polled(driver), lambda rows: any(row.value is not None for row in rows))
    assert {row.status for row in rows} == {"ok"}
    return rows


def _no_values(rows: Sequence[Raw], driver: ProbeDriver) -> None:
    assert [row.channel for row in rows] == list(driver.channels)
    assert {row.value for row in rows} == {None}


def _values(rows: Sequence[Raw]) -> list[float | None]:
    return [row.value for row in rows]


def _until(act: Callable[[], T], holds: Callable[[T], bool]) -> T:
    """What an act gives once that holds; the last one after a minute."""
    until_s = time.monotonic() + PATIENCE_S
    while not holds(result := act()) and time.monotonic() < until_s:
        time.sleep(_PAUSE_S)
    return result
