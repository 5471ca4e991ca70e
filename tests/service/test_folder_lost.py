"""The data folder goes away under the running service: noticed, named, notified, and nothing is lost."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from logger.model import Row
from logger.notify.mail import MemorySender
from logger.service import Service
from logger.service import store_failure as module
from logger.store import Store

from .test_alarming import CONFIG

QUIET = replace(CONFIG, lines=())  # rows come from the test alone


def row(number: int) -> Row:
    now = time.time_ns()
    return Row("P1.temperature", now + number, now + number, 20.0 + number)


def until(holds: Callable[[], object], within_s: float = 60.0) -> bool:
    """Whether it comes true in that time."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if holds():
            return True
        time.sleep(0.05)
    return False


def moved(folder: Path, away: Path) -> Callable[[], object]:
    """As if its disk were unmounted: the path is not there."""
    folder.rename(away)
    return lambda: away.rename(folder)


def emptied(folder: Path, away: Path) -> Callable[[], object]:
    """As if its disk were unmounted: the place where it was mounted is there, and empty."""
    folder.rename(away)
    folder.mkdir()

    def back() -> None:
        for item in folder.iterdir():
            item.unlink()  # a heartbeat may have come meanwhile
        folder.rmdir()
        away.rename(folder)

    return back


@pytest.mark.parametrize("take_away", [moved, emptied])
def test_a_folder_that_goes_away_is_notified_past_it_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
    take_away: Callable[[Path, Path], Callable[[], object]],
) -> None:  # fmt: skip
    """A mail names the folder and what became of it; readings wait in memory until it is back."""
    monkeypatch.setattr(module, "NOTIFIED_AFTER_S", 0.2)
    twin, folder = MemorySender(), tmp_path / "data"
    with Store.open(folder, create=True, simulated=True) as store:
        service = Service(store, QUIET, sender=twin)
        service.start()
        try:
            service._writer.rows([row(1)])
            assert until(lambda: len(store.readings.read("P1.temperature", 0, 2**62)) == 1)
            with caplog.at_level(logging.ERROR):
                back = take_away(folder, tmp_path / "away")
                service._writer.rows([row(2)])
                assert until(lambda: [m for _, m in twin.accepted if "cannot be stored" in str(m["Subject"])])
            text = next(m.get_content() for _, m in twin.accepted if "cannot be stored" in str(m["Subject"]))
            assert str(folder) in text.replace("\n", "")
            assert "gone" in text
            assert "1 reading waits in memory" in text
            assert service.status()["store_trouble"]

            back()

            assert until(lambda: not service.status()["store_trouble"] and not service.status()["queue"])
            assert list(store.readings.read("P1.temperature", 0, 2**62).value) == [21.0, 22.0]
        finally:
            assert service.stop()  # after it the journal has the event, which is written behind the readings
        refused = [e for e in store.journal.entries(kind="event") if e.what["event"] == "store-refused"]
        assert len(refused) == 1
        assert store.verify().intact
    assert not [r for r in caplog.records if r.exc_info and "writer" in r.name]
