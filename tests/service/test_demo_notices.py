"""The demo has no mail server; that is no fault of the invented room, and what would be sent can be read."""

from __future__ import annotations

import json
from pathlib import Path

from logger.config import example_folder, load
from logger.model import CommandRoute
from logger.notify.mail import SendOutcome
from logger.notify.ways import Ways
from logger.simulation import demo

LETTER = {"message_id": "<a1@room>", "alarm": "bay", "subject": "Machine bay", "text": "21.06 °C"}


def test_without_a_mail_server_notices_go_into_a_file_and_none_waits(tmp_path: Path) -> None:
    """Every mail route of the example becomes a file, so that no notice waits until the demo raises an alarm
    of high priority about it; with a port, mails go there as before.
    """
    example, file = load(example_folder()), tmp_path / "demo-notices.jsonl"
    connected = demo._connect(example, {}, None, file)
    assert {m.key for m in example.mail} <= set(connected.routes)
    assert connected.mail == ()
    for route in (connected.routes[m.key] for m in example.mail):
        assert isinstance(route, CommandRoute)
        for _ in range(2):
            result = Ways().send(route, LETTER)
            assert isinstance(result, SendOutcome)
            assert result.result == "accepted", result
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    assert [line["text"] for line in lines] == ["21.06 °C", "21.06 °C"]
    assert {m.port for m in demo._connect(example, {}, 2525, None).mail} == {2525}
