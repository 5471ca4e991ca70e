"""Random alarm histories against the definitions written out plainly; the search finds old errors."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from logger.core.alarms import grouping as causes
from logger.core.alarms import lifecycle as alarms
from logger.service import alarm_engine as alarming

from .alarm_histories import history, live, wrong


@pytest.fixture
def fast_folder(tmp_path: Path) -> Iterator[Path]:
    """In memory where there is such a place: hundreds of stores, each synced a thousand times."""
    memory = Path("/dev/shm")  # noqa: S108 (a folder of its own is made in it)
    if not memory.is_dir():
        yield tmp_path
        return
    with TemporaryDirectory(dir=memory) as item:
        yield Path(item)


def searched(folder: Path, seeds: range) -> tuple[dict[int, list[str]], int]:
    """By number of the history what is wrong in it; and how many notices there were."""
    result: dict[int, list[str]] = {}
    notices = 0
    for seed in seeds:
        past = history(seed)
        outcome = live(past, folder / str(seed))
        shutil.rmtree(folder / str(seed))
        notices += len(outcome.letters)
        if sentences := wrong(past, outcome):
            result[seed] = sentences
    return result, notices


@pytest.mark.slow
def test_twenty_histories_follow_the_definitions(fast_folder: Path) -> None:
    """Each high alarm is named by a notice within its delays, or a person chose otherwise."""
    faults, notices = searched(fast_folder, range(20))

    assert faults == {}
    assert notices > 40


@pytest.mark.long
def test_a_thousand_histories_follow_the_definitions(fast_folder: Path) -> None:
    """The same at length."""
    faults, notices = searched(fast_folder, range(1000, 2000))

    print(f"1000 histories, {notices} notices, {len(faults)} wrong")
    assert faults == {}


def _silent_joining(patched: pytest.MonkeyPatch) -> None:
    """What joins a cause is not announced."""
    real = causes.join_causes

    def silent(*args: Any) -> dict[str, Any]:
        return {k: replace(a, waits=a.cause == k) for k, a in real(*args).items()}

    patched.setattr(alarming, "join_causes", silent)


def _one_scope(patched: pytest.MonkeyPatch) -> None:
    """Alarms of all zones have one cause."""
    patched.setattr(alarming, "sharing_scope", lambda spec, *_: "room" if spec.rule else spec.key)


def _joining_for_ever(patched: pytest.MonkeyPatch) -> None:
    """An acknowledgement does not end the joining."""
    real = causes._open_cause
    patched.setattr(
        causes, "_open_cause", lambda every, at: real([replace(a, acknowledged_ns=None) for a in every], at)
    )


def _held_by_floods(patched: pytest.MonkeyPatch) -> None:
    """A flood holds back high alarms, too."""
    patched.setattr(
        alarming.AlarmEngine, "_waits_s",
        lambda self, specs, flood: {s.key: 600 if flood.condition in alarms.ACTIVE else 0 for s in specs},
    )  # fmt: skip


def _blind_after_a_jump(patched: pytest.MonkeyPatch) -> None:
    """A clock that went back leaves shelves and cells where they were."""
    patched.setattr(alarms, "_after_clock_went_back", lambda alarm, _: alarms.Step(alarm))


@pytest.mark.slow
def test_the_search_is_not_blind(fast_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Six histories show that what joins a cause is not announced."""
    _silent_joining(monkeypatch)

    assert searched(fast_folder, range(6))[0]


@pytest.mark.long
@pytest.mark.parametrize(
    "undo", [_silent_joining, _one_scope, _joining_for_ever, _held_by_floods, _blind_after_a_jump]
)
def test_the_search_finds_what_was_wrong_once(
    fast_folder: Path, monkeypatch: pytest.MonkeyPatch, undo: Callable[[pytest.MonkeyPatch], None]
) -> None:
    """Each mend undone: the histories show it."""
    undo(monkeypatch)

    faults, _ = searched(fast_folder, range(100))

    print(f"{undo.__name__}: wrong in {len(faults)} of 100 histories")
    assert faults
