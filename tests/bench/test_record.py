"""A record made for measuring is whole when it is measured, whatever interrupted the making of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.bench import record as pages_record
from logger.bench import record
from logger.errors import Refused
from logger.instants import NS
from logger.store import Store

pytestmark = pytest.mark.slow
DAYS, PROBES = 2, 8


class Interruption(Exception):
    """As if somebody had ended the program."""


def interrupt_at(line: str) -> Callable[[str], None]:
    """A `say` that is interrupted as soon as a line begins so."""

    def say(text: str) -> None:
        if text.startswith(line):
            raise Interruption

    return say


def interrupt_after(batches: int, patch: pytest.MonkeyPatch) -> None:
    """Interrupt the making after so many batches of readings."""
    append, left = Store.append, list(range(batches))

    def counted(store: Store, *args: Any) -> object:
        if not left:
            raise Interruption
        left.pop()
        return append(store, *args)

    patch.setattr(Store, "append", counted)


def content(store: Store) -> dict[str, tuple[list[int], list[float]]]:
    every = store.readings.read_channels(store.readings.channels(), 0, 2**62)
    return {key: (of.taken_ns.tolist(), of.value.tolist()) for key, of in every.items()}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[list[int], list[float]]]:
    """What a record made in one go holds."""
    with record.make(tmp_path_factory.mktemp("bench") / "whole", PROBES, DAYS, lambda _: None) as store:
        return content(store)


@pytest.mark.parametrize("batches", [3, 8, 13, 16])  # of 8 probes in two parts; after 16: while it is sealed
def test_a_record_that_was_interrupted_is_finished_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: object, batches: int
) -> None:
    monkeypatch.setattr(record, "MONTH", 1440)
    with monkeypatch.context() as patch:
        interrupt_after(batches, patch)
        with pytest.raises(Interruption):
            record.make(tmp_path / "half", PROBES, DAYS, interrupt_at("sealing"))
    lines: list[str] = []
    with record.make(tmp_path / "half", PROBES, DAYS, lines.append) as store:
        assert content(store) == whole
        assert not store.readings.arrived_after(0, 1)[0]  # all of it is sealed
    assert lines[0] == "the record was not finished: going on with it"
    lines.clear()
    with record.make(tmp_path / "half", PROBES, DAYS, lines.append) as store:
        assert content(store) == whole
    assert lines == []


def test_a_process_of_its_own_makes_the_same(tmp_path: Path, whole: object) -> None:
    record.make_apart(tmp_path / "apart", PROBES, DAYS, lambda _: None)
    lines: list[str] = []
    with record.make(tmp_path / "apart", PROBES, DAYS, lines.append) as store:
        assert (content(store), lines) == (whole, [])


@pytest.mark.parametrize(("channels", "days"), [(PROBES, DAYS - 1), (PROBES - 1, DAYS)])
def test_a_folder_with_another_record_is_left_as_it_is(
    tmp_path: Path, whole: object, channels: int, days: int
) -> None:
    record.make(tmp_path / "here", PROBES, DAYS, lambda _: None).close()
    with pytest.raises(Refused, match="The folder holds another record than one of"):
        record.make(tmp_path / "here", channels, days, lambda _: None)
    with Store.open(tmp_path / "here", read_only=True) as store:
        assert content(store) == whole


def test_a_record_for_pages_that_was_interrupted_is_finished(tmp_path: Path) -> None:
    end_ns = record.START_NS + 40 * 86_400 * NS
    folder = tmp_path / "pages"
    with pytest.raises(Interruption):
        pages_record.fill(folder, 3, DAYS, 60, end_ns=end_ns, say=interrupt_at("making P01"))
    lines: list[str] = []
    pages_record.fill(folder, 3, DAYS, 60, end_ns=end_ns + 86_400 * NS, say=lines.append)
    assert [line[:10] for line in lines] == ["making P01", "making P02", "sealing"]
    with Store.open(folder, read_only=True) as store:
        for number, (taken_ns, value) in enumerate(content(store).values()):
            assert np.array_equal(value, record.values(DAYS, number))
            assert (taken_ns[-1], len(taken_ns)) == (end_ns - 60 * NS, DAYS * 1440)
