"""A setup is proposed by one person and approved by another; the journal tells of each act."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.acts import setup as approval
from logger.config import example_folder, in_force, read_texts
from logger.errors import ConfigError, Refused, UnknownName
from logger.instants import NS
from logger.store import Store

NOW = 1_794_000_000 * NS  # 2026-11-06T21:20Z
DAY = 86_400 * NS


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "data", create=True, simulated=True) as opened:
        approval.apply_setup(opened, texts(), "Greta Holm", "first", "Greta Holm", NOW)
        yield opened


def texts(upper: str = "20.5", file: str = "limits.toml", **replaced: str) -> dict[str, str]:
    """The example with another upper limit of the bay."""
    files = read_texts(example_folder())
    files["limits.toml"] = files["limits.toml"].replace("upper_degC = 20.5", f"upper_degC = {upper}", 1)
    for old, new in replaced.items():
        assert old in files[file]
        files[file] = files[file].replace(old, new)
    return files


def proposed(store: Store, files: dict[str, str] | None = None, **more: bool) -> int:
    return approval.propose(store, files or texts("20.6"), "Greta Holm", "new annex", NOW + DAY, **more)


def kinds(store: Store) -> list[tuple[str, str]]:
    return [(e.kind, e.who) for e in store.journal.entries() if e.kind.startswith("setup")]


def bay(store: Store, **more: int) -> list[tuple[float | None, int | None, str]]:
    rules = in_force(store.setups.versions(), **more).setup.rules
    return [(r.upper, r.to_ns, r.approver) for r in rules if r.key == "machine-bay.temperature"]


def test_a_proposal_changes_nothing_until_another_approves(store: Store) -> None:
    """The metrologist's change is inactive until quality approves."""
    number = proposed(store)
    assert bay(store) == [(20.5, None, "Ines Faber")]
    with pytest.raises(Refused, match="another person"):
        approval.approve(store, number, " greta holm", "", NOW + 2 * DAY)
    approval.approve(store, number, "Radek Sova", "checked", NOW + 2 * DAY)
    assert bay(store) == [(20.5, NOW + 2 * DAY, "Ines Faber"), (20.6, None, "Radek Sova")]
    assert bay(store, known_ns=NOW + DAY) == [(20.5, None, "Ines Faber")]
    newest = store.setups.versions()[-1]
    assert (newest.who, newest.approver, newest.why, newest.proposed_ns, newest.at_ns) == (
        "Greta Holm", "Radek Sova", "new annex", NOW + DAY, NOW + 2 * DAY,
    )  # fmt: skip
    assert kinds(store) == [
        ("setup", "Greta Holm"), ("setup-proposed", "Greta Holm"), ("setup-approved", "Radek Sova"),
    ]  # fmt: skip
    assert store.verify().intact


def test_a_refused_proposal_keeps_its_number_and_never_holds(store: Store) -> None:
    number = proposed(store)
    with pytest.raises(Refused, match="reason for the rejection"):
        approval.refuse(store, number, "Ines Faber", "", NOW)
    approval.refuse(store, number, "Ines Faber", "the annex says 20.4", NOW)
    with pytest.raises(Refused, match="was refused already"):
        approval.approve(store, number, "Ines Faber", "", NOW)
    again = proposed(store, texts("20.4"))
    assert (number, again) == (2, 3)
    assert [(p.version, p.state) for p in store.setups.proposals()] == [(2, "refused"), (3, "waiting")]
    assert len(bay(store)) == 1
    assert store.verify().intact


def test_of_two_proposals_the_second_must_be_proposed_again(store: Store) -> None:
    """Files say everything: approving the older set would undo the newer."""
    first, other = proposed(store), proposed(store, texts("20.4"))
    approval.approve(store, other, "Ines Faber", "", NOW + 2 * DAY)
    with pytest.raises(Refused, match=r"version 3 was approved since"):
        approval.approve(store, first, "Ines Faber", "", NOW + 3 * DAY)
    with pytest.raises(Refused, match="was approved already"):
        approval.approve(store, other, "Ines Faber", "", NOW + 3 * DAY)
    assert [upper for upper, _, _ in bay(store)] == [20.5, 20.4]


@pytest.mark.parametrize(
    ("files", "words"),
    [
        (texts("19.0"), "the lower limit below"),
        (texts("20.5"), "is the same"),
        (texts(file="room.toml", **{"simulated = true": "simulated = false"}), "a real room"),
        (texts(file="probes.toml", **{'serial = "AG-0501"': 'serial = "AG-0502"'}), "serial"),
    ],
    ids=["faulty", "in force already", "another kind of room", "another instrument under the same name"],
)
def test_what_cannot_follow_is_refused_and_changes_nothing(
    store: Store, files: dict[str, str], words: str
) -> None:
    head = store.journal.head()
    with pytest.raises(Refused, match=words):
        proposed(store, files)
    assert store.journal.head() == head
    assert store.setups.proposals() == []


def test_an_unknown_proposal_names_those_that_wait(store: Store) -> None:
    proposed(store)
    with pytest.raises(UnknownName, match=r"no proposal 9.*2"):
        approval.approve(store, 9, "Ines Faber", "", NOW)


def test_one_person_may_do_both_where_the_room_says_so(store: Store) -> None:
    """Turning it on needs two; a correction needs two even then."""
    alone = {"single_person = false": "single_person = true"}
    number = proposed(store, texts(file="room.toml", **alone))
    with pytest.raises(Refused, match="another person"):
        approval.approve(store, number, "Greta Holm", "", NOW + DAY)
    approval.approve(store, number, "Ines Faber", "", NOW + DAY)
    own = proposed(store, texts("20.6", file="room.toml", **alone))
    approval.approve(store, own, "Greta Holm", "", NOW + 2 * DAY)
    correction = proposed(store, texts("20.55", file="room.toml", **alone), correction=True)
    with pytest.raises(Refused, match="signed by two"):
        approval.approve(store, correction, "Greta Holm", "", NOW + 3 * DAY)
    approval.approve(store, correction, "Ines Faber", "", NOW + 3 * DAY)
    assert [(u, end) for u, end, _ in bay(store)] == [(20.5, NOW + 2 * DAY), (20.55, None)]
    (stated,) = in_force(store.setups.versions()).setup.corrections
    assert (stated.version, stated.from_ns, stated.approver) == (4, NOW + 2 * DAY, "Ines Faber")


def test_an_empty_store_takes_the_files_as_version_1(tmp_path: Path) -> None:
    with Store.open(tmp_path / "new", create=True, simulated=True) as store:
        assert approval.propose(store, texts(), "Greta Holm", "", NOW) == 1
        assert [v.version for v in store.setups.versions()] == [1]


def test_stored_texts_that_do_not_fit_are_not_approved(store: Store) -> None:
    """What was proposed is checked again when it is approved: the program may have become stricter."""
    with store.begin() as conn:
        broken = {**texts(), "limits.toml": "nonsense = 1\n"}
        number = store.setups.propose(broken, "Greta Holm", "why", NOW, correction=False, conn=conn)
    with pytest.raises(ConfigError, match="nonsense"):
        approval.approve(store, number, "Ines Faber", "", NOW)
    assert len(store.setups.versions()) == 1


EDITS = {
    "UPDATE setup_proposal SET who = 'Radek Sova'": "proposed version 2: missing, altered",
    "UPDATE setup_proposal SET texts = '{}'": "proposed version 2: missing, altered",
    "DELETE FROM setup_proposal": "proposed version 2: missing, altered",
    "UPDATE setup SET who = 'Radek Sova' WHERE version = 2": "setup version 2: missing, altered",
}


@pytest.mark.slow
@pytest.mark.parametrize("statement", EDITS)
def test_an_edited_proposal_is_found(store: Store, statement: str) -> None:
    approval.approve(store, proposed(store), "Ines Faber", "", NOW + 2 * DAY)
    with closing(sqlite3.connect(store.folder / "stillroom.db")) as stranger:
        with pytest.raises(sqlite3.IntegrityError, match=r"never changed|are kept"):
            stranger.execute(statement)
        for (name,) in stranger.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            stranger.execute(f"DROP TRIGGER {name}")
        stranger.execute(statement)
        stranger.commit()
    assert any(EDITS[statement] in fault for fault in store.verify().faults)


def test_nobody_approves_alone_what_the_service_proposed(store: Store) -> None:
    """Files that changed under the service have no author: one person takes them over, another approves."""
    number = approval.propose(store, texts("20.6"), approval.SERVICE, "SIGHUP", NOW + DAY, by_service=True)
    with pytest.raises(Refused, match=f"config take-over {number}"):
        approval.approve(store, number, "Radek Sova", "", NOW + 2 * DAY)
    own = approval.take_over(store, number, "Greta Holm", "", NOW + 2 * DAY)
    with pytest.raises(Refused, match="another person"):
        approval.approve(store, own, "Greta Holm", "", NOW + 3 * DAY)
    with pytest.raises(Refused, match="has an author already"):
        approval.take_over(store, own, "Radek Sova", "", NOW + 3 * DAY)
    approval.approve(store, own, "Radek Sova", "", NOW + 3 * DAY)
    newest = store.setups.versions()[-1]
    assert (newest.version, newest.who, newest.approver) == (own, "Greta Holm", "Radek Sova")
    assert [(p.version, p.state) for p in store.setups.proposals()] == [
        (number, "refused"),
        (own, "approved"),
    ]
    assert store.verify().intact
