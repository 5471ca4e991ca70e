"""The service is dead: told by somebody outside within five minutes, once, and taken back."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from logger.config import example_folder, load
from logger.notify.mail import MemorySender, SendOutcome
from logger.service import heartbeat
from logger.service.watcher import Watcher, of_address, of_file
from logger.simulation.process import TwinProcess

from .test_whole_service import Mailbox, _with_urls, mailbox, texts, until

__all__ = ["mailbox"]
CONFIG = load(example_folder())
S = 1_000_000_000


def beats(path: Path, n: int, **more: object) -> None:
    """A sign of life that is another one each time."""
    path.write_text(json.dumps({"at": f"2026-11-25T04:{n:02d}:00Z", "stopped": False, **more}))


def test_a_sign_that_stops_is_told_within_five_minutes_once_and_again_when_it_is_back(tmp_path: Path) -> None:
    """Looking every 30 s; the clock of the machine there plays no part."""
    path, twin = tmp_path / "heartbeat", MemorySender()
    watcher = Watcher(of_file(path), CONFIG, sender=twin)
    for n in range(10):
        beats(path, n)
        watcher.turn(30.0 * n, 30 * n * S)
    told_after = 0.0
    for n in range(10, 40):
        watcher.turn(30.0 * n, 30 * n * S)
        told_after = told_after or (30.0 * (n - 9) if twin.accepted else 0.0)
    assert 0 < told_after <= 300
    assert len(twin.accepted) == 1
    text = twin.accepted[0][1].get_content()
    assert "The last heartbeat was at 2026-11-25T04:09:00Z" in text
    assert "Action:" in text

    beats(path, 41)
    watcher.turn(1200.0, 1200 * S)

    assert [m["Subject"].partition(": ")[2] for _, m in twin.accepted][1].endswith("the service is back")
    assert len({m["Message-ID"] for _, m in twin.accepted}) == 2


def test_a_service_that_was_dead_before_the_watcher_came_is_told_too(tmp_path: Path) -> None:
    """No file, an unreadable one, or an address that nobody answers: no sign is no sign."""
    for read in (of_file(tmp_path / "none"), of_file(tmp_path), of_address("http://127.0.0.1:9/")):
        twin = MemorySender()
        watcher = Watcher(read, CONFIG, sender=twin)
        watcher.turn(0.0, 0)
        assert twin.accepted == []
        watcher.turn(180.0, 180 * S)
        assert len(twin.accepted) == 1


def test_what_the_mail_server_does_not_take_is_tried_again_under_one_name(tmp_path: Path) -> None:
    """Later is later; a day of death is told once more."""
    recipient = CONFIG.mail[0].recipients[0]
    busy = MemorySender({recipient: SendOutcome("later", 451, "busy")})
    watcher = Watcher(of_file(tmp_path / "none"), CONFIG, sender=busy)
    watcher.turn(0.0, 0)
    first = watcher.turn(200.0, 200 * S)
    busy.answers.clear()
    second = watcher.turn(230.0, 230 * S)
    watcher.turn(260.0, 260 * S)
    watcher.turn(200.0 + 86_400, 90_000 * S)

    assert [(o.result) for _, o in (*first, *second)] == ["later", "accepted"]
    assert len(busy.accepted) == 2


def test_a_stop_in_order_is_said_to_be_one(tmp_path: Path) -> None:
    """Somebody stopped it and forgot: still nobody watches."""
    path, twin = tmp_path / "heartbeat", MemorySender()
    beats(path, 1, stopped=True)
    watcher = Watcher(of_file(path), CONFIG, sender=twin)
    watcher.turn(0.0, 0)
    watcher.turn(180.0, 180 * S)

    assert "when the service was stopped in order" in twin.accepted[0][1].get_content()


@pytest.mark.slow
def test_the_command_tells_by_mail_when_the_service_is_killed(
    tmp_path: Path, mailbox: tuple[Mailbox, int]
) -> None:
    """A real service under SIGKILL, a real watcher beside it with short times, a real mail server."""
    mails, port = mailbox[0].mails, mailbox[1]
    folder, data = tmp_path / "config", tmp_path / "data"
    with TwinProcess() as twin:
        for name, text in texts(port).items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(_with_urls(text, dict(twin.urls)), encoding="utf-8")
        program = [sys.executable, "-m", "logger.cli"]
        named = ["--config", str(folder)]
        begun = [*named, "--data", str(data), "--begin", "--who", "Greta Holm"]
        service = subprocess.Popen([*program, "run", *begun])
        watch = ["heartbeat", *named, "--file", str(data / heartbeat.FILE), "--older", "12", "--every", "0.5"]
        watcher = subprocess.Popen([*program, *watch])
        try:
            assert until(lambda: heartbeat.read(data) is not None, 60)
            service.send_signal(signal.SIGKILL)
            service.wait(60)
            assert until(lambda: any("no heartbeat from" in mail for mail in mails), 60)
        finally:
            service.kill()
            watcher.send_signal(signal.SIGTERM)
            code = watcher.wait(60)
    assert code == 0
    assert sum("no heartbeat from the service" in mail for mail in mails) == 1
