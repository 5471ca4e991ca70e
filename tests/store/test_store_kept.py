"""Setup versions, judged pieces, newest statements and imported originals."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from logger import config
from logger.errors import StoreError
from logger.store import Store
from logger.store.hot.setups import text_digest

from .conftest import OCTOBER, edit

TEXTS = {"room.toml": '[room]\nkey = "east"\n', "limits.toml": "# µ\n"}


def test_setup_versions_count_up_and_stand_in_the_journal(store: Store) -> None:
    """Texts come back to the letter; the entry names version, digest, approver and reason."""
    first = store.setups.put(TEXTS, "Greta Holm", "first setup", "Ines Faber", OCTOBER)
    second = store.setups.put(
        {**TEXTS, "limits.toml": ""}, "Greta Holm", "no limits", "Ines Faber", OCTOBER + 1
    )

    versions = store.setups.versions()
    assert [version.version for version in versions] == [first, second] == [1, 2]
    assert versions[0].texts == TEXTS
    assert versions[0].digest == text_digest(TEXTS) != versions[1].digest
    entry = store.journal.entries(kind="setup")[0]
    assert (entry.who, entry.why) == ("Greta Holm", "first setup")
    assert entry.what == {
        "version": 1,
        "at_ns": OCTOBER,
        "approver": "Ines Faber",
        "digest": versions[0].digest,
    }


def test_the_digest_of_a_setup_is_the_one_of_the_configuration() -> None:
    """A stored version is recognised by the digest of what config/ says now; recomputed by hand."""
    text = "".join(f"{len(part.encode())}:{part}" for name in sorted(TEXTS) for part in (name, TEXTS[name]))

    assert text_digest(TEXTS) == hashlib.sha256(text.encode()).hexdigest() == config.digest(TEXTS)


def test_pieces_are_replaced_and_given_by_day(store: Store) -> None:
    """A piece is a cache: the newest stands, and asking does not invent one."""
    store.verdict_cache.put_days("machine-bay", {3: ("old", "{}")})
    store.verdict_cache.put_days("machine-bay", {3: ("new", "[]")})
    store.verdict_cache.put_days("machine-bay", {4: ("k4", "b4"), 5: ("k5", "b5")})

    assert store.verdict_cache.day("machine-bay", 3) == ("new", "[]")
    assert store.verdict_cache.day("plate-bench", 3) is None
    assert store.verdict_cache.days("machine-bay", 3, 5) == {3: ("new", "[]"), 4: ("k4", "b4")}


def test_the_newest_statement_of_each_zone_is_kept(store: Store) -> None:
    """One per zone."""
    store.verdict_cache.put_live("plate-bench", "1")
    store.verdict_cache.put_live("machine-bay", "2")
    store.verdict_cache.put_live("plate-bench", "3")

    assert store.verdict_cache.live() == {"machine-bay": "2", "plate-bench": "3"}


@pytest.mark.parametrize("name", ["P1 export.csv", "../../etc/passwd", "..", "C:\\logs\\Prüf.csv"])
def test_an_imported_original_is_kept_to_the_byte(store: Store, folder: Path, name: str) -> None:
    """Whatever the file was called, it stays inside originals/; a second import changes nothing."""
    content = b"\xff\xfeZeit;Wert\r\n"
    sha256 = hashlib.sha256(content).hexdigest()

    store.imports.record(sha256, name, content, {"rows": 0}, who="Greta Holm", at_ns=OCTOBER)
    store.imports.record(sha256, name, content, {"rows": 0})

    original = store.imports.find(sha256)
    assert original is not None
    assert (original.name, original.at_ns, original.summary) == (name, OCTOBER, {"rows": 0})
    assert [path.read_bytes() for path in (folder / "originals").iterdir()] == [content]
    assert (folder / original.original).resolve().parent == (folder / "originals").resolve()
    assert store.imports.all() == [original]
    assert len(store.journal.entries(kind="import")) == 1
    assert store.verify().intact


def test_a_wrong_digest_is_refused(store: Store) -> None:
    """The digest is checked, not believed."""
    with pytest.raises(StoreError, match="has SHA-256"):
        store.imports.record("0" * 64, "x.csv", b"x", {})

    assert store.imports.find("0" * 64) is None


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE setup_proposal SET base = 7", "proposed version 1: "),
        ("UPDATE setup_proposal SET texts = '['", "proposed version 1: "),
        ("UPDATE setup_refusal SET who = 'Radek Sova'", "refusal of version 1: "),
        ("DELETE FROM setup_refusal", "refusal of version 1: "),  # it would wait for approval again
    ],
)
def test_a_refusal_that_was_taken_back_in_the_file_is_named(store: Store, statement: str, fault: str) -> None:
    """What people decided stands in the chain, whatever the tables say later."""
    with store.begin() as conn:
        store.setups.propose(TEXTS, "Greta Holm", "wider", OCTOBER, correction=False, conn=conn)
    proposal = store.setups.proposals()[0]
    with store.begin() as conn:
        store.setups.refuse(proposal, "Ines Faber", "no basis", OCTOBER + 1, conn=conn)
    assert store.verify().faults == ()

    edit(store.folder, statement)

    assert [report[: len(fault)] for report in store.verify().faults] == [fault]
