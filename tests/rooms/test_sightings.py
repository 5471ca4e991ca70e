"""What the centre says of rooms that are old, forged, or went back; it never says "stable" of them."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path

import pytest

from logger.errors import ConfigError, Refused
from logger.instants import NS
from logger.rooms import registry
from logger.rooms.sightings import RoomState, Sightings
from logger.rooms.summary import SummaryFault, opened
from logger.rooms.words import clock_words, state_words
from logger.store import Store
from tests.rooms.conftest import NOW, MadeGroup

MINUTE = 60 * NS


def look(group: MadeGroup, now_ns: int = NOW) -> dict[str, RoomState]:
    return {s.key: s for s in Sightings(group.registry.centre).look(group.registry, now_ns)}


def test_a_summary_says_what_the_room_says(group: MadeGroup) -> None:
    """State, head and what is due are those of the record; the bench is not shown, its probe is overdue."""
    folder = group.add("hall-3")
    state = look(group)["hall-3"]
    assert (state.trouble, state.verdict, state.name) == ("", "not shown", "Measuring room East")
    assert [z["verdict"] for z in state.zones] == ["stable", "not shown"]
    assert {d["certificate"] for d in state.due if d["status"] == "overdue"} == {"AG-0416-T", "AG-0416-H"}
    with Store.open(folder) as store:
        assert opened((folder / "summary.json").read_bytes()).head == store.journal.head()


def test_a_summary_holds_no_inspection(group: MadeGroup) -> None:
    """The record has jobs with titles, parts and people; none of these words leaves it."""
    folder = group.add("hall-3")
    text = (folder / "summary.json").read_text(encoding="utf-8")
    text = re.sub("[0-9a-f]{32,}", "", text)  # keys, signature, digest: any digits may be in them
    assert "Machine bay" in text
    for word in ("Gear hub", "Valve body", "VB-9", "Ring set", "4471", "J2"):
        assert word not in text


def test_an_old_summary_is_not_shown_whatever_it_said(group: MadeGroup) -> None:
    group.add("hall-3")
    assert look(group, NOW + 179 * NS)["hall-3"].trouble == ""
    state = look(group, NOW + 181 * NS)["hall-3"]
    assert (state.trouble, state.verdict, state.zones) == ("silent", "not shown", ())
    # 14:00Z is 16:00 in Vienna.
    assert state_words(state, NOW + 181 * NS) == "not shown: nothing heard since 16:00"


@pytest.mark.parametrize(
    ("old", "new"),
    [("not shown", "stable"), ("indeterminate", "conforming"), ("until_ns", "until_nx")],
    ids=["verdict", "reason", "a key"],
)
def test_a_changed_summary_says_nothing(group: MadeGroup, old: str, new: str) -> None:
    folder = group.add("hall-3")
    file = folder / "summary.json"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    state = look(group)["hall-3"]
    assert (state.trouble, state.verdict) == ("forged", "not shown")
    assert "changed after it was signed" in state.why


def test_a_summary_that_was_verified_before_is_verified_again_when_a_byte_of_it_changes(
    group: MadeGroup,
) -> None:
    """By the same centre, with the size and the time of the file as they were."""
    file = group.add("hall-3") / "summary.json"
    sightings = Sightings(group.registry.centre)

    def trouble() -> str:
        (state,) = sightings.look(group.registry, NOW)
        return state.trouble

    good, stat = file.read_bytes(), file.stat()
    assert [trouble(), trouble()] == ["", ""]
    file.write_bytes(good.replace(b"not shown", b"not-shown"))
    os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert [trouble(), trouble()] == ["forged", "forged"]
    file.write_bytes(good)
    assert trouble() == ""


def test_another_rooms_key_signs_for_nobody_else(group: MadeGroup) -> None:
    first, second = group.add("hall-3"), group.add("hall-4")
    shutil.copyfile(first / "summary.json", second / "summary.json")
    states = look(group)
    assert states["hall-3"].trouble == ""
    assert states["hall-4"].trouble == "forged"
    assert "another key" in states["hall-4"].why


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"[1]", b'{"body":"{}","key":"x","signature":"zz"}', b"\xff" * 9]
)
def test_what_is_no_summary_is_named(content: bytes) -> None:
    with pytest.raises(SummaryFault):
        opened(content)


def test_a_record_that_went_back_stays_named_until_a_person_accepts_it(group: MadeGroup) -> None:
    """An older copy that goes on past the head that was seen is no less suspect."""
    folder = group.add("hall-3")
    older = folder.with_name("older")
    shutil.copytree(folder, older)
    group.renew("hall-3", NOW + MINUTE, lambda store: store.journal.append("note", "test", {}, "one more"))
    assert look(group, NOW + MINUTE)["hall-3"].trouble == ""
    shutil.rmtree(folder)
    shutil.copytree(older, folder)
    group.renew("hall-3", NOW + 2 * MINUTE)
    state = look(group, NOW + 2 * MINUTE)["hall-3"]
    assert (state.trouble, state.verdict) == ("back", "not shown")
    assert "went back" in state.why

    def go_on(store: Store) -> None:
        for number in range(5):
            store.journal.append("note", "test", {"n": number}, "on and on")

    group.renew("hall-3", NOW + 3 * MINUTE, go_on)
    assert look(group, NOW + 3 * MINUTE)["hall-3"].trouble == "back"
    entry = group.registry.room("hall-3")
    Sightings(group.registry.centre).accept(entry)
    assert look(group, NOW + 3 * MINUTE)["hall-3"].trouble == ""


def test_another_entry_under_the_number_that_was_seen(group: MadeGroup) -> None:
    folder = group.add("hall-3")
    older = folder.with_name("older")
    shutil.copytree(folder, older)
    group.renew("hall-3", NOW, lambda store: store.journal.append("note", "test", {}, "as it was"))
    look(group)
    shutil.rmtree(folder)
    shutil.copytree(older, folder)
    group.renew("hall-3", NOW, lambda store: store.journal.append("note", "test", {}, "as it is told now"))
    assert "another one than was seen" in look(group)["hall-3"].why


def test_the_worst_room_comes_first_and_a_silent_one_before_those_that_speak(group: MadeGroup) -> None:
    for key in ("hall-1", "hall-2", "hall-3"):
        group.add(key)
    group.add("hall-4", now_ns=NOW - 3600 * NS)
    (group.file.parent / "hall-2" / "summary.json").write_bytes(b"{}")
    order = [s.key for s in Sightings(group.registry.centre).look(group.registry, NOW)]
    assert order[:2] == ["hall-2", "hall-4"]


def test_a_clock_that_is_ahead_is_said(group: MadeGroup) -> None:
    group.add("hall-3", now_ns=NOW + 45 * NS)
    assert look(group)["hall-3"].clock_ahead_s == pytest.approx(45.0)


@pytest.mark.parametrize(
    ("off_s", "verdict", "words"),
    [
        (-120, "not shown", "its clock is 120 s behind this one"),
        (120, "not shown", "its clock is 120 s ahead of this one"),
        (10, "not shown", ""),
    ],
)
def test_a_wrong_clock_is_named_from_the_time_at_which_the_file_was_written(
    group: MadeGroup, off_s: int, verdict: str, words: str
) -> None:
    file = group.add("hall-3", now_ns=NOW + off_s * NS) / "summary.json"
    os.utime(file, ns=(NOW, NOW))
    state = look(group)["hall-3"]
    assert (state.trouble, state.verdict, clock_words(state)) == ("", verdict, words)
    assert state.quiet is False


def test_a_clock_that_runs_far_ahead_does_not_keep_a_room_alive(group: MadeGroup) -> None:
    """By ten minutes: else it were shown for so much longer after its service had ended."""
    group.add("hall-3", now_ns=NOW + 600 * NS)
    state = look(group)["hall-3"]
    assert (state.trouble, state.verdict) == ("silent", "not shown")
    assert "Its clock is 600 s ahead of this one" in state.why


def test_a_summary_that_has_lain_for_a_while_says_nothing_of_a_clock(group: MadeGroup) -> None:
    os.utime(group.add("hall-3") / "summary.json", ns=(NOW, NOW))
    assert look(group, NOW + 170 * NS)["hall-3"].clock_ahead_s == 0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[centre]\ndata = 3\n", "data folder"),
        ('[centre]\ndata = "c"\n[rooms.Hall]\ndata = "h"\n', "small letters"),
        ('[centre]\ndata = "c"\n[rooms.account]\ndata = "h"\n', "small letters"),
        ('[centre]\ndata = "c"\n[rooms.h]\ndata = "h"\nkey = "12"\n', "64 hexadecimal"),
        ('[centre]\ndata = "c"\n[room.h]\n', "unknown table"),
        ("[centre", "in TOML"),
    ],
)
def test_faults_of_the_list(tmp_path: Path, text: str, expected: str) -> None:
    file = tmp_path / "rooms.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises((ConfigError, Refused), match=r"rooms\.toml") as refused:
        registry.read(file)
    assert expected in str(refused.value)


def test_what_was_seen_survives_and_a_damaged_file_is_refused(group: MadeGroup) -> None:
    group.add("hall-3")
    look(group)
    seen = group.registry.centre / "seen.json"
    assert json.loads(seen.read_text(encoding="utf-8"))["hall-3"]["head"]
    seen.write_text("{", encoding="utf-8")
    with pytest.raises(Exception, match=r"seen\.json"):
        look(group)
