"""Summaries that rooms send to the centre: the newest counts, a copy of an old one never does."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from werkzeug.serving import make_server
from werkzeug.test import Client

from dashboard.group.app import Group
from logger.instants import NS
from logger.model import CentrePlan
from logger.record.signatures import signing_key
from logger.rooms.receipts import MOST_UNLISTED, Receipts, SummaryRejected
from logger.rooms.sightings import RoomState, Sightings
from logger.rooms.summary import FILE, signed, summarise
from logger.rooms.words import state_words
from logger.service.centre_post import PATH, post_summary
from logger.store import Store
from tests.command_line import Run
from tests.peers import free_port
from tests.rooms.conftest import NOW, MadeGroup, setup_of

MINUTE, DAY = 60 * NS, 86_400 * NS


@pytest.fixture
def sent(group: MadeGroup) -> MadeGroup:
    """A group whose one room lies on another machine: what it says reaches the centre only as it is sent."""
    group.add("hall-3")
    return group


def summary_at(group: MadeGroup, now_ns: int, *, journal: bool = True) -> bytes:
    """What the room says at an instant by its own clock, a minute's entry later."""

    def go_on(store: Store) -> None:
        if journal:
            store.journal.append("note", "test", {"at": now_ns}, "a minute")

    group.renew("hall-3", now_ns, go_on)
    file = group.file.parent / "hall-3" / FILE
    content = file.read_bytes()
    file.unlink()
    return content


def take(group: MadeGroup, content: bytes, now_ns: int) -> bool:
    return Receipts(group.registry.centre).take(content, group.registry, now_ns)


def look(group: MadeGroup, now_ns: int) -> RoomState:
    return Sightings(group.registry.centre).look(group.registry, now_ns)[0]


def test_a_room_that_sends_its_summary_is_shown_and_after_a_days_cut_again(sent: MadeGroup) -> None:
    """Cut off for a day it is not shown, with the time of the last word; then everything goes on."""
    assert take(sent, summary_at(sent, NOW), NOW)
    assert (look(sent, NOW + MINUTE).trouble, look(sent, NOW + MINUTE).name) == ("", "Measuring room East")
    away = look(sent, NOW + DAY)
    assert (away.trouble, away.verdict) == ("silent", "not shown")
    assert state_words(away, NOW + DAY) == "not shown: nothing heard since 2026-10-19 16:00"
    assert take(sent, summary_at(sent, NOW + DAY), NOW + DAY)
    assert look(sent, NOW + DAY).trouble == ""


def test_a_copy_of_an_old_summary_makes_no_room_alive(sent: MadeGroup) -> None:
    old, new = summary_at(sent, NOW), summary_at(sent, NOW + MINUTE)
    take(sent, new, NOW + MINUTE)
    for content in (old, new):
        with pytest.raises(SummaryRejected, match="a newer summary of this key is held"):
            take(sent, content, NOW + DAY)
    assert look(sent, NOW + DAY).trouble == "silent"


def test_an_older_head_is_a_record_that_went_back(sent: MadeGroup) -> None:
    """A later summary of a shorter journal is taken, and named until a person accepts it."""
    before = summary_at(sent, NOW, journal=False)
    take(sent, summary_at(sent, NOW + MINUTE), NOW + MINUTE)
    assert look(sent, NOW + MINUTE).trouble == ""
    with pytest.raises(SummaryRejected):
        take(sent, before, NOW + 2 * MINUTE)
    shorter = shortened(sent, NOW + 2 * MINUTE)
    assert take(sent, shorter, NOW + 2 * MINUTE)
    state = look(sent, NOW + 2 * MINUTE)
    assert (state.trouble, state.verdict) == ("back", "not shown")
    assert "The record went back" in state.why


def shortened(group: MadeGroup, now_ns: int) -> bytes:
    """What the room's own key signs of a journal one entry shorter than the one it showed before."""
    with Store.open(group.file.parent / "hall-3") as store:
        body = summarise(store, setup_of(store), now_ns)
        number, _ = body["head"]
        return signed({**body, "head": [number - 1, "0" * 64]}, signing_key(store, "t"))


@pytest.mark.parametrize(
    ("off_s", "shown_s", "trouble"), [(-45, -45.0, ""), (45, 45.0, ""), (-20, 0.0, ""), (-600, 0.0, "silent")]
)
def test_a_clock_that_is_off_is_named_by_when_the_summary_came(
    sent: MadeGroup, off_s: int, shown_s: float, trouble: str
) -> None:
    """Over 30 s it is said; so far off that it may be an old one nothing of it is shown."""
    take(sent, summary_at(sent, NOW + off_s * NS), NOW)
    state = look(sent, NOW + 10 * NS)
    assert (state.trouble, state.clock_ahead_s) == (trouble, shown_s)
    assert ("600 s behind this one" in state.why) == bool(trouble)


def test_a_folder_and_what_was_sent_go_by_the_newer(sent: MadeGroup) -> None:
    take(sent, summary_at(sent, NOW), NOW)
    sent.renew("hall-3", NOW + 10 * MINUTE, lambda store: store.journal.append("note", "t", {}, "more"))
    assert look(sent, NOW + 10 * MINUTE).trouble == ""


@pytest.mark.parametrize("content", [b"", b"{}", b"\xff\x00", b"[" * 100_000])
def test_what_is_no_summary_is_not_kept(sent: MadeGroup, content: bytes) -> None:
    with pytest.raises(SummaryRejected):
        take(sent, content, NOW)
    assert list(Receipts(sent.registry.centre).unlisted(sent.registry)) == []


def unlist(group: MadeGroup) -> str:
    """The room is in no list any more; the key that signs for it."""
    name = group.registry.room("hall-3").key_name
    group.file.write_text(group.file.read_text(encoding="utf-8").partition("[rooms.")[0], encoding="utf-8")
    return name


def test_a_key_that_nobody_confirmed_counts_for_nothing_until_a_person_confirms_it(
    sent: MadeGroup, stillroom: Run
) -> None:
    name = unlist(sent)
    assert not take(sent, summary_at(sent, NOW), NOW)
    assert Sightings(sent.registry.centre).look(sent.registry, NOW) == []
    listed = stillroom("rooms", "list", "--rooms", sent.file)
    assert f"rooms confirm KEY --key {name}" in listed.stdout
    other = stillroom("rooms", "confirm", "annex", "--key", "0" * 64, "--rooms", sent.file)
    assert (other.returncode, "Measuring room East" in other.stderr) == (2, True)
    assert stillroom("rooms", "confirm", "annex", "--key", name, "--rooms", sent.file).returncode == 0
    assert (look(sent, NOW).key, look(sent, NOW).trouble) == ("annex", "")


def test_made_up_keys_fill_no_disk(sent: MadeGroup, monkeypatch: pytest.MonkeyPatch) -> None:
    content = summary_at(sent, NOW)
    unlist(sent)
    many = iter([None] * MOST_UNLISTED)
    monkeypatch.setattr(Receipts, "unlisted", lambda self, registry: many)
    with pytest.raises(SummaryRejected, match="too many keys"):
        take(sent, content, NOW)


@contextmanager
def serving(group: Group) -> Iterator[str]:
    server = make_server("127.0.0.1", 0, group)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join(60)
        server.server_close()


def test_a_service_posts_its_summary_to_the_pages_of_the_group(sent: MadeGroup) -> None:
    content = summary_at(sent, NOW)
    pages = Group(sent.file, now_ns=lambda: NOW)
    try:
        with serving(pages) as url:
            post_summary(CentrePlan(url), content)
            assert look(sent, NOW).trouble == ""
            with pytest.raises(OSError, match="409 a newer summary of this key is held"):
                post_summary(CentrePlan(url), content)
        assert Client(pages).get(PATH).status_code != 200  # it takes, and shows nothing
    finally:
        pages.close()
    nobody = f"http://127.0.0.1:{free_port()}"
    with pytest.raises(OSError, match=f"the centre {nobody} refuses the connection"):
        post_summary(CentrePlan(nobody), content)
