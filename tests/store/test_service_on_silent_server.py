"""The service of a room whose database server freezes: alarmed by every route, polled on, stored once."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from logger.notify.mail import SmtpSender
from logger.service import Service, store_failure
from logger.simulation.process import TwinProcess
from logger.store import Store
from logger.store.hot import server as on_server
from logger.store.hot import server_patience as patience
from tests.database_server import DatabaseServer
from tests.service.test_whole_service import (  # noqa: F401 (a fixture)
    Mailbox,
    in_force,
    mailbox,
    reached,
    texts,
    until,
)

SUBJECT = "readings cannot be stored"


def shorten(monkeypatch: pytest.MonkeyPatch) -> None:
    """Deadlines of statements a tenth of the usual ones; those of reading stay, which must not hold it up."""
    for name in ("TURNS_S", "COMMITS_S", "ANSWERS_S"):
        monkeypatch.setattr(patience, name, getattr(patience, name) / 10)
    monkeypatch.setattr(patience.connection_class(), "answers_s", patience.ANSWERS_S)
    monkeypatch.setattr(on_server, "ASKS_FOR_S", 1.0)
    monkeypatch.setattr(store_failure, "NOTIFIED_AFTER_S", 3.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("usual", "alarmed_s"), [(False, 60.0), pytest.param(True, 120.0, marks=pytest.mark.long)]
)
def test_a_frozen_server_is_alarmed_and_its_readings_are_stored_once_when_it_goes_on(
    tmp_path: Path,
    server: DatabaseServer,
    mailbox: tuple[Mailbox, int],  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
    usual: bool,
    alarmed_s: float,
) -> None:
    """With the usual deadlines within two minutes; the seconds are printed (`pytest -s`)."""
    if not usual:
        shorten(monkeypatch)
    mails, port = mailbox[0].mails, mailbox[1]
    name, _ = server.new_schema()
    server.point(tmp_path / "data", name)
    with (
        Store.open(tmp_path / "data", create=True, simulated=True) as store,
        store.lock_service(),
        TwinProcess(since_ns=time.time_ns()) as twin,
    ):
        config = reached(in_force(store, texts(port), time.time_ns()), dict(twin.urls), 2.0)
        service = Service(store, config, sender=SmtpSender(timeout_s=5.0))
        service.start()
        try:
            assert until(lambda: len(store.readings.newest_taken()) > 2, 60)
            server.freeze()
            frozen_s = time.monotonic()
            assert until(lambda: any(SUBJECT in mail for mail in mails), alarmed_s), service.status()
            print(f"alarmed {time.monotonic() - frozen_s:.0f} s after the server froze")
            assert service.alive
            assert int(str(service.status()["queue"])) > 0
            assert "has not answered" in str(service.status()["store_trouble"])
            mail = re.sub(r"=\r?\n", "", next(mail for mail in mails if SUBJECT in mail))
            assert "check that the database server runs, answers" in mail
            server.thaw()
            assert until(lambda: not service.status()["store_trouble"], 60), service.status()
        finally:
            server.thaw()
            assert service.stop()
        event_list = [e.what for e in store.journal.entries(kind="event")]
        (refused,) = [what for what in event_list if what["event"] == "store-refused"]
        assert refused["readings_lost"] == 0
        rows = store.hot.all_rows().rows()
        polls = [(row.channel, row.received_ns) for row in rows]
        assert len(polls) == len(set(polls))
        assert sorted(store.hot.all_rows().seq.tolist()) == list(range(1, len(rows) + 1))
        assert store.verify().faults == ()
