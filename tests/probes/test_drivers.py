"""What every driver must do, over every transport, against its simulated twin. A new driver is a new rig."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from logger.errors import ProbeError
from logger.simulation.devices import FAULTS

from .conftest import asked_again
from .rigs import KINDS, Rig, rig

# pyserial's RFC 2217 client still starts its thread in the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
WIRED = [kind for kind in KINDS if kind not in ("1-wire", "command")]
SPOILT = ["text", "scpi", "sdi-12", "modbus rtu", "modbus tcp"]  # one of each protocol: spoiling takes time


@pytest.fixture(params=KINDS)
def any_rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    probe_rig = rig(request.param, tmp_path, patience_s=5.0)
    yield probe_rig
    probe_rig.close()


@pytest.fixture(params=SPOILT)
def spoilt(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    probe_rig = rig(request.param, tmp_path, patience_s=0.5)
    yield probe_rig
    probe_rig.close()


@pytest.fixture(params=WIRED)
def wired(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    probe_rig = rig(request.param, tmp_path, patience_s=2.0)
    yield probe_rig
    probe_rig.close()


def values_of(build: Rig) -> list[tuple[float | None, str]]:
    build.driver.open()
    return [(raw.value, raw.status) for raw in build.driver.read()]


@pytest.mark.slow
def test_a_whole_answer_gives_one_value_for_each_channel_with_its_instant(any_rig: Rig) -> None:
    before = time.time_ns()
    any_rig.driver.open()
    answers = any_rig.driver.read()
    expected = [("P1.temperature", 20.03), ("P1.relative_humidity", 47.8)][: any_rig.values]
    if any_rig.values == 1:
        expected = [("P1.temperature", 20.0)]  # a step of 1/16 K
    assert [(a.channel, a.value) for a in answers] == expected
    assert {a.status for a in answers} == {"ok"}
    assert all(before <= a.at_ns <= time.time_ns() for a in answers)
    assert tuple(a.channel for a in answers) == any_rig.driver.channels


@pytest.mark.slow
def test_a_reading_below_zero_and_one_of_zero(any_rig: Rig) -> None:
    any_rig.show(-1.5, 0.0)
    assert [value for value, _ in values_of(any_rig)] == [-1.5, 0.0][: any_rig.values]


@pytest.mark.slow
def test_open_and_close_are_repeatable_and_nothing_is_heard_from_who_is_asked(any_rig: Rig) -> None:
    any_rig.driver.close()
    any_rig.driver.open()
    any_rig.driver.open()
    assert not any_rig.driver.listen(time.monotonic() + 5)
    assert {status for _, status in values_of(any_rig)} == {"ok"}
    any_rig.driver.close()
    any_rig.driver.close()


CASES = [(kind, fault) for kind in SPOILT for fault in FAULTS if fault not in ("drip", "twice")]


@pytest.fixture(scope="module")
def spoilt_answers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[tuple[str, str], Future[None]]]:
    """All cases at once: each does little but wait for answers that do not come."""

    def play(case: tuple[str, str]) -> None:
        probe_rig = rig(case[0], tmp_path_factory.mktemp("spoilt"), patience_s=1.0)
        try:
            _spoil(probe_rig, case[1])
        finally:
            probe_rig.close()

    with ThreadPoolExecutor(len(CASES)) as pool:
        yield {case: pool.submit(play, case) for case in CASES}


@pytest.mark.parametrize("case", CASES, ids=" with ".join)
def test_a_spoilt_answer_is_never_a_value_and_the_next_good_one_is(
    spoilt_answers: dict[tuple[str, str], Future[None]], case: tuple[str, str]
) -> None:
    spoilt_answers[case].result()


def _spoil(spoilt: Rig, fault: str) -> None:
    assert {status for _, status in values_of(spoilt)} == {"ok"}
    assert spoilt.device is not None
    spoilt.device.fault = fault
    answers = values_of(spoilt)
    if fault == "flipped bit" and not spoilt.checked:
        assert len(answers) == 2  # a text without a check cannot know; the spike test can
    else:
        assert {value for value, _ in answers} == {None}
        assert {status for _, status in answers} <= {"timeout", "garbage"}
    spoilt.device.fault = ""
    spoilt.show(21.47, 50.5)
    spoilt.driver.open()
    assert [answer.value for answer in asked_again(spoilt.driver)] == [21.47, 50.5]


@pytest.mark.parametrize("fault", ["drip", "twice"])
def test_an_answer_that_drips_in_or_comes_twice_is_one_answer(spoilt: Rig, fault: str) -> None:
    assert spoilt.device is not None
    values_of(spoilt)
    spoilt.device.fault = fault
    assert [value for value, _ in values_of(spoilt)] == [20.03, 47.8]
    spoilt.device.fault = ""
    spoilt.show(19.9, 40.0)
    assert [value for value, _ in values_of(spoilt)] == [19.9, 40.0]


def test_a_lost_line_raises_and_is_found_again_by_its_name(wired: Rig) -> None:
    assert wired.device is not None
    assert {status for _, status in values_of(wired)} == {"ok"}
    wired.device.wire.unplug()
    with pytest.raises(ProbeError):
        [values_of(wired) for _ in range(3)]
    with pytest.raises(ProbeError):
        wired.driver.open()
    wired.driver.close()
    wired.device.wire.plug()
    assert {status for _, status in values_of(wired)} == {"ok"}


@pytest.mark.slow
@pytest.mark.parametrize("kind", WIRED)
def test_another_probe_at_the_cable_gives_no_values_until_it_is_swapped_back(
    kind: str, tmp_path: Path
) -> None:
    probe_rig = rig(kind, tmp_path, serial="AG-0499", patience_s=5.0)
    assert probe_rig.device is not None
    probe_rig.driver.open()
    answers = probe_rig.driver.read()
    assert {(a.value, a.status) for a in answers} == {(None, "wrong-probe")}
    assert answers[0].raw == "expected serial 'AG-0499', found 'AG-0411'"
    probe_rig.device.speaker.serial = "AG-0499"
    assert {status for _, status in values_of(probe_rig)} == {"ok"}
    probe_rig.device.speaker.serial = "AG-0411"
    assert {status for _, status in values_of(probe_rig)} == {"ok"}  # asked at each opening, not at each poll
    probe_rig.driver.close()
    assert {status for _, status in values_of(probe_rig)} == {"wrong-probe"}
    probe_rig.close()
