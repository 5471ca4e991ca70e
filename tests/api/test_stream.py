"""The event stream on its real server: the state first, then changes; few streams, freed by who leaves."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.server import ServingPlace
from logger.api import stream
from logger.api.stream import MOST_STREAMS, VerdictFeed
from logger.errors import StoreError
from logger.instants import NS, rfc3339
from logger.model.roles import Scope
from logger.people import Tokens
from logger.store import Store
from logger.verdicts.zone_state import ZoneState
from tests.api.served import Stream, served


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def token(store: Store) -> str:
    return Tokens(store).add("screen", {Scope.VERDICTS}, "test")[1]


@pytest.fixture
def place(store: Store, monkeypatch: pytest.MonkeyPatch) -> Iterator[ServingPlace]:
    """Served with quick heartbeats, so that a client that left is noticed soon."""
    events = VerdictFeed.events
    monkeypatch.setattr(VerdictFeed, "events", lambda feed: events(feed, 0.3))
    with served(store.folder) as address:
        yield address


def judged(store: Store, verdict: str, reason: str, minutes_ago: float = 0.0) -> None:
    """What the service stores when it has judged the machine bay."""
    at = rfc3339(time.time_ns() - round(minutes_ago * 60 * NS))
    body = {
        "zone": "machine-bay",
        "verdict": verdict,
        "reason": reason,
        "sentence": "x",
        "since": at,
        "at": at,
    }
    store.verdict_cache.put_live("machine-bay", json.dumps({**body, "provisional": True}))


def next_of(source: Stream, zone: str = "machine-bay") -> tuple[str, dict[str, Any]]:
    """The next event of a zone."""
    while True:
        name, data = source.event()
        if name and json.loads(data)["zone"] == zone:
            return name, json.loads(data)


def test_the_state_comes_first_and_each_change_after_it(
    store: Store, place: ServingPlace, token: str
) -> None:
    judged(store, "stable", "conforming")
    source = Stream(place, token)
    assert source.answer.getheader("Content-Type") == "text/event-stream"
    name, state = next_of(source)
    assert (name, state["verdict"], state["simulated"]) == ("verdict", "stable", True)
    digest = state.pop("digest")
    text = json.dumps(state, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert digest == hashlib.sha256(text.encode()).hexdigest()
    judged(store, "not stable", "nonconforming")
    name, state = next_of(source)
    assert (name, state["verdict"], state["reason"]) == ("verdict", "not stable", "nonconforming")
    source.close()
    judged(store, "stable", "conforming")  # while nobody listens
    again = Stream(place, token)
    assert next_of(again)[1]["verdict"] == "stable"  # nothing is missed by a reconnection
    again.close()


def test_a_further_minute_is_no_change(store: Store, place: ServingPlace, token: str) -> None:
    since = rfc3339(time.time_ns() - 600 * NS)
    body = {
        "zone": "machine-bay",
        "verdict": "stable",
        "reason": "conforming",
        "sentence": "x",
        "since": since,
    }
    for minute in (2, 1):
        at = rfc3339(time.time_ns() - minute * 60 * NS)
        store.verdict_cache.put_live("machine-bay", json.dumps({**body, "at": at, "provisional": True}))
        if minute == 2:
            source = Stream(place, token)
            assert next_of(source)[0] == "verdict"
    assert next_of(source)[0] == "judged"
    source.close()


@pytest.mark.slow
def test_an_old_verdict_becomes_not_shown_by_itself(store: Store, place: ServingPlace, token: str) -> None:
    """The service has ended: nothing is stored any more, and three minutes later the zone is not shown."""
    judged(store, "stable", "conforming", minutes_ago=2.95)
    source = Stream(place, token)
    assert next_of(source)[1]["verdict"] == "stable"
    name, state = next_of(source)
    assert (name, state["verdict"], state["reason"]) == ("verdict", "not shown", "indeterminate")
    source.close()


@pytest.mark.slow
def test_streams_are_few_and_free_their_threads(store: Store, place: ServingPlace, token: str) -> None:
    """The fourth gets 503 with Retry-After; pages are served beside three; who leaves makes room."""
    judged(store, "stable", "conforming")
    for _ in range(3):
        sources = [_opened(place, token) for _ in range(MOST_STREAMS)]
        refused = Stream(place, token)
        assert (refused.answer.status, refused.answer.getheader("Retry-After")) == (503, "30")
        assert json.loads(refused.answer.read())["type"] == "/api/v1/problems/too-many-streams"
        refused.close()
        assert [next_of(source)[1]["verdict"] for source in sources] == ["stable"] * MOST_STREAMS
        for source in sources:
            source.close()


def _opened(place: ServingPlace, token: str) -> Stream:
    """A stream, as soon as there is room: a client that left is noticed at the next heartbeat."""
    deadline = time.monotonic() + 60
    while True:
        source = Stream(place, token)
        if source.answer.status == 200:
            return source
        source.close()
        assert time.monotonic() < deadline, "nobody made room"
        time.sleep(0.1)


def test_an_unread_answer_takes_no_stream(store: Store, token: str) -> None:
    """HEAD opens the door and reads nothing: as often as it is asked, there is room."""
    from logger.api import create_api

    client = create_api(store).test_client()
    for _ in range(2 * MOST_STREAMS):
        answer = client.head("/api/v1/events", headers={"Authorization": f"Bearer {token}"})
        assert answer.status_code == 200
        answer.close()


def test_the_server_ends_though_streams_are_open(store: Store, token: str) -> None:
    with served(store.folder) as place:
        source = Stream(place, token)
        next_of(source)
    source.close()


def test_a_record_that_cannot_be_read_is_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is away for longer than ten seconds: no screen goes on with the last verdict."""
    monkeypatch.setattr(stream, "BUSY_S", 0.2)
    state = ZoneState(
        "bay", "Bay", "stable", "conforming", "Bay is stable.", None, "2026-10-19T08:30:00Z", True
    )
    answers = [[state]]

    def states() -> list[ZoneState]:
        if not answers:
            raise StoreError("away")
        return answers.pop()

    feed = VerdictFeed(states, 0.02)
    feed.enter()
    events = feed.events(60.0)
    assert next(events).startswith(b"retry")
    assert b'"verdict": "stable"' in next(events)
    assert b'"verdict": "not shown"' in next(events)
    feed.leave()
