"""Windows that move forward: what each is given, how often files are read, and what becomes of a fault."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from logger.instants import NS
from logger.model import Row
from logger.series import Readings
from logger.store import Store
from logger.verdicts.windows import read_windows

DAY_NS = 86_400 * NS
BEGIN = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp()) * NS
CHANNELS = ("T1.temperature", "T2.temperature")
WINDOWS = [(BEGIN + (20 * i - 2) * DAY_NS, BEGIN + (20 * i + 21) * DAY_NS) for i in range(8)]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Five months, one reading an hour and channel; the first four are sealed."""
    with Store.open(tmp_path_factory.mktemp("forward") / "data", create=True, simulated=True) as opened:
        for number, channel in enumerate(CHANNELS):
            taken_ns = range(BEGIN + number * NS, BEGIN + 150 * DAY_NS, 3600 * NS)
            opened.append("w", [Row(channel, t, t, 20.0 + i % 7 / 10) for i, t in enumerate(taken_ns)])
        opened.seal(BEGIN + 125 * DAY_NS)
        yield opened


def plain(readings: dict[str, Readings]) -> dict[str, list[object]]:
    """To be compared."""
    return {channel: [c.tolist() for c in vars(some).values()] for channel, some in readings.items()}


@pytest.mark.slow
@pytest.mark.parametrize("windows", [WINDOWS, WINDOWS[:1], WINDOWS[2:4], [WINDOWS[0], WINDOWS[7]]])
def test_each_window_has_its_own_readings_in_order(store: Store, windows: list[tuple[int, int]]) -> None:
    result = list(read_windows(store, CHANNELS, windows, lambda number, some: (number, plain(some))))
    question = [
        (n, plain(store.readings.read_channels(CHANNELS, *window))) for n, window in enumerate(windows)
    ]
    assert result == question
    assert all(len(some[channel][0]) > 10 for _, some in result for channel in CHANNELS)


@pytest.mark.slow
def test_no_stretch_is_read_twice_and_none_beyond_the_end(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    question: list[tuple[int, int]] = []
    read = store.readings.read_channels

    def noted(channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, Readings]:
        question.append((from_ns, to_ns))
        return read(channels, from_ns, to_ns)

    monkeypatch.setattr(store.readings, "read_channels", noted)
    assert len(list(read_windows(store, CHANNELS, WINDOWS, lambda number, _: number))) == len(WINDOWS)
    assert all(item[1] == other[0] for item, other in pairwise(question))
    assert (question[0][0], question[-1][1]) == (WINDOWS[0][0], WINDOWS[-1][1])
    months = [datetime.fromtimestamp(end / NS, UTC) for _, end in question[:-1]]
    assert {(at.day, at.hour) for at in months} == {(1, 0)}


@pytest.mark.slow
def test_a_fault_in_one_window_is_told_and_what_came_before_it_is_given(store: Store) -> None:
    def work(number: int, _: dict[str, Readings]) -> int:
        if number == 3:
            raise ValueError("the fourth")
        return number

    each = read_windows(store, CHANNELS, WINDOWS, work)
    assert [next(each) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(ValueError, match="the fourth"):
        next(each)


@pytest.mark.slow
def test_who_asks_no_more_is_not_kept_waiting(store: Store) -> None:
    built: list[int] = []
    each = read_windows(store, CHANNELS, WINDOWS, lambda number, _: built.append(number))
    next(each)
    each.close()  # type: ignore[attr-defined]
    assert len(built) < len(WINDOWS)
