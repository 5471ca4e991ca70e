"""What the log says of notices that no server took: each once an hour, and once that they go out again."""

from __future__ import annotations

import pytest

from logger.notify.mail import SendOutcome
from logger.notify.outbox import Letter
from logger.service.notice_log import AGAIN_S, NoticeLog

AWAY = SendOutcome("later", 0, "mail server 192.0.2.7:25 does not answer")


def letter(alarm: str) -> Letter:
    return Letter(1, 0, alarm, "duty", "waiting", 1, "", {"recipient": "greta@almtal.example"})


def test_a_server_that_is_away_all_night_fills_no_log(caplog: pytest.LogCaptureFixture) -> None:
    """Two notices, tried every five minutes for two hours: two lines an hour, then one that it is over."""
    now_s = [0.0]
    notices = NoticeLog(lambda: now_s[0])
    for n in range(24):
        now_s[0] = 300.0 * n
        for alarm in ("bay.high", "system.disk"):
            notices.note(letter(alarm), AWAY)
    assert AGAIN_S == 3600.0
    lines = [record.getMessage() for record in caplog.records]
    assert len(lines) == 4
    assert lines[0] == (
        "route duty: the notice of bay.high to greta@almtal.example waits and is sent again: "
        "mail server 192.0.2.7:25 does not answer"
    )

    for _ in range(2):
        notices.note(letter("bay.high"), SendOutcome("accepted", 250))

    assert [record.getMessage() for record in caplog.records][4:] == ["route duty accepts notices again"]


def test_another_answer_is_another_line(caplog: pytest.LogCaptureFixture) -> None:
    notices = NoticeLog(lambda: 0.0)
    notices.note(letter("bay.high"), AWAY)
    notices.note(letter("bay.high"), SendOutcome("refused", 550, "no such user"))
    assert caplog.records[-1].getMessage().endswith("is refused for good: 550 no such user")
