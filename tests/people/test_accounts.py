"""Accounts, sessions, passwords, tokens and signatures of a record."""

from __future__ import annotations

from contextlib import suppress

import pytest

from logger.errors import Refused, UnknownName
from logger.instants import NS
from logger.model.roles import MAY, SIGNED_BY, Act, Meaning, Role, Scope, may, only_reads
from logger.people import Kind, People, Refusals, Sessions, Throttle, Tokens, TooOften, sign
from logger.store.origin import acting_through
from tests.people.conftest import Clock

GOOD = "a room of 20 degrees"


def test_separation_of_hands() -> None:
    """An operator changes no limit, who proposes does not alone approve, a reader sees no job."""
    assert not may({Role.OPERATOR}, Act.PROPOSE)
    assert not may({Role.METROLOGIST}, Act.APPROVE)
    assert not may({Role.READER}, Act.READ_INSPECTIONS)
    assert not may({Role.ADMINISTRATOR}, Act.APPROVE)
    assert only_reads({Role.READER})
    assert not only_reads({Role.READER, Role.OPERATOR})
    assert set(MAY) == set(Act)
    assert set(SIGNED_BY) == set(Meaning)


def test_account_is_made_and_journalled(people: People) -> None:
    """The journal has the act and no digest of a password; the name is found whatever its capitals."""
    built = people.add("GHolm", " Greta   Holm ", {Role.METROLOGIST}, GOOD, "the custodian")
    assert (built.name, built.person) == ("gholm", "Greta Holm")
    (entry,) = people.store.journal.entries(kind="account")
    assert (entry.who, entry.what["act"], entry.what["roles"]) == ("the custodian", "add", ["metrologist"])
    assert "argon2" not in str(people.store.journal.entries())
    assert people.authenticate("GHOLM", GOOD) == built
    assert people.authenticate("gholm", GOOD + " ") is None
    assert people.authenticate("nobody", GOOD) is None


@pytest.mark.parametrize(
    ("name", "person", "password", "expected"),
    [
        ("two words", "A B", GOOD, "name: expected"),
        ("ab", "", GOOD, "person: expected"),
        ("ab", "A\nB\x00", GOOD, "person: expected"),
        ("ab", "A B", "short", "password: expected 12 to 128"),
        ("ab", "A B", "aaaaaaaaaaaaaaaa", "password: expected one"),
        ("ab", "Greta Van Holmen", "greta van holmen", "password: expected one"),
        ("ab", "A B", "x" * 2000, "password: expected 12 to 128"),
    ],
)
def test_unusable_account_is_refused(
    people: People, name: str, person: str, password: str, expected: str
) -> None:
    with pytest.raises(Refused, match=expected):
        people.add(name, person, {Role.READER}, password, "test")
    assert people.all() == []


def test_one_person_has_one_account(people: People) -> None:
    """Else one person could be two and approve what they proposed."""
    people.add("gholm", "Greta Holm", {Role.METROLOGIST}, GOOD, "test")
    with pytest.raises(Refused, match="already"):
        people.add("greta", "GRETA HOLM", {Role.QUALITY}, GOOD, "test")


def test_last_administrator_stays(people: People) -> None:
    people.add("a", "A", {Role.ADMINISTRATOR}, GOOD, "test")
    with pytest.raises(Refused, match="last administrator"):
        people.set_roles("a", {Role.READER}, "test")
    with pytest.raises(Refused, match="last administrator"):
        people.set_active("a", False, "test")
    people.add("b", "B", {Role.ADMINISTRATOR}, GOOD, "test")
    people.set_active("a", False, "test")
    assert people.authenticate("a", GOOD) is None
    with pytest.raises(UnknownName, match="no account 'c'"):
        people.set_roles("c", {Role.READER}, "test")


def test_sessions_end(people: People, clock: Clock) -> None:
    """After two hours without use, after twelve in all; a screen that only reads stays for 30 days."""
    people.add("op", "Op", {Role.OPERATOR}, GOOD, "test")
    people.add("door", "Door", {Role.READER}, GOOD, "test")
    sessions = Sessions(people, clock=clock)
    idle, used, door = sessions.begin("op"), sessions.begin("op"), sessions.begin("door")
    for _ in range(7):
        clock.ns += 3600 * NS
        assert sessions.account(used, used=True) is not None
    assert sessions.account(idle, used=True) is None
    clock.ns += 3600 * NS
    assert sessions.account(used, used=False) is not None
    clock.ns += 2 * 3600 * NS
    assert sessions.account(used, used=False) is None  # two hours in which only the page asked
    assert sessions.account(door, used=False) is not None
    clock.ns += 30 * 86400 * NS
    assert sessions.account(door, used=True) is None
    busy = sessions.begin("op")
    for _ in range(11):
        clock.ns += 3600 * NS
        assert sessions.account(busy, used=True) is not None
    clock.ns += 3600 * NS
    assert sessions.account(busy, used=True) is None


def test_session_ends_with_its_account(people: People, clock: Clock) -> None:
    """Signing out, another password and a disabled account each end it; other roles hold at once."""
    people.add("op", "Op", {Role.OPERATOR}, GOOD, "test")
    sessions = Sessions(people, clock=clock)
    for ended in (
        sessions.end,
        lambda key: people.set_password("op", GOOD + "!", "test"),
        lambda key: people.set_active("op", False, "test"),
    ):
        people.set_active("op", True, "test")
        key = sessions.begin("op")
        assert sessions.account(key, used=True) is not None
        ended(key)
        assert sessions.account(key, used=True) is None
    people.set_active("op", True, "test")
    key = sessions.begin("op")
    people.set_roles("op", {Role.READER}, "test")
    result = sessions.account(key, used=True)
    assert result is not None
    assert not result.may(Act.ACKNOWLEDGE)
    assert key.encode() not in (people.store.folder / "stillroom.db").read_bytes()


def test_tries_are_bounded() -> None:
    """Five for a name from one address in five minutes; somebody elsewhere is not locked out by them."""
    now = [0.0]
    throttle = Throttle(lambda: now[0])
    for _ in range(5):
        throttle.admit("gholm", "192.0.2.7")
    with pytest.raises(TooOften, match="Wait 300 s"):
        throttle.admit("GHOLM", "192.0.2.7")
    throttle.admit("gholm", "192.0.2.8")
    now[0] = 301.0
    throttle.admit("gholm", "192.0.2.7")
    for other in range(39):
        throttle.admit(f"name{other}", "192.0.2.7")
    with pytest.raises(TooOften):
        throttle.admit("yet-another", "192.0.2.7")


def test_strangers_lock_nobody_out() -> None:
    """Where strangers used up the tries of an address and of a name, a browser that signed in before has its
    own five, and so has who signs; neither has more than those.
    """
    throttle = Throttle(lambda: 0.0)
    for number in range(200):
        with suppress(TooOften):
            throttle.admit("gholm", f"192.0.2.{number}")
        with suppress(TooOften):
            throttle.admit(f"name{number}", "192.0.2.7")
    for address in ("192.0.2.7", "198.51.100.1"):
        with pytest.raises(TooOften):
            throttle.admit("gholm", address)
    for _ in range(5):
        throttle.admit("gholm", "192.0.2.7", "mark")
        throttle.admit_signature("gholm", "session")
    with pytest.raises(TooOften):
        throttle.admit("gholm", "192.0.2.7", "mark")
    with pytest.raises(TooOften):
        throttle.admit_signature("gholm", "session")
    throttle.admit_signature("gholm", "another session")


def test_signature_takes_password_and_role(people: People) -> None:
    """Without the password or the role nothing is signed; with them the meaning is in the journal."""
    people.add("gholm", "Greta Holm", {Role.METROLOGIST}, GOOD, "test")
    with pytest.raises(Refused, match="enter the password"):
        sign(people, "gholm", "", Meaning.REVIEWED, about={"record": 7})
    with pytest.raises(Refused, match="enter the password"):
        sign(people, "gholm", "not this one", Meaning.REVIEWED, about={"record": 7})
    with pytest.raises(Refused, match="needs the role quality"):
        sign(people, "gholm", GOOD, Meaning.APPROVED, about={"record": 7})
    signed = sign(people, "gholm", GOOD, Meaning.REVIEWED, about={"record": 7}, why="month's end")
    (entry,) = people.store.journal.entries(kind="signature")
    assert (signed.number, signed.at_ns, signed.person) == (entry.number, entry.at_ns, entry.who)
    assert entry.what == {"account": "gholm", "meaning": "reviewed", "about": {"record": 7}}


def test_token_is_shown_once_and_ends(people: People, clock: Clock) -> None:
    tokens = Tokens(people.store, clock)
    built, text = tokens.add("node-1", {Scope.READINGS}, "test", probes=["P4"], until_ns=clock.ns + NS)
    assert tokens.find(text) == built
    assert tokens.find(text[:-1] + ("A" if text[-1] != "A" else "B")) is None
    assert tokens.find("stillroom_00000000_" + "x" * 43) is None
    assert tokens.find("' OR 1=1") is None
    assert text.rpartition("_")[2].encode() not in (people.store.folder / "stillroom.db").read_bytes()
    clock.ns += NS
    assert tokens.find(text) is None
    other, text = tokens.add("node-2", {Scope.VERDICTS}, "test")
    tokens.revoke(other.id, "test")
    assert tokens.find(text) is None
    with pytest.raises(Refused, match="already revoked"):
        tokens.revoke(other.id, "test")
    assert [e.what["act"] for e in people.store.journal.entries(kind="token")] == ["add", "add", "revoke"]


def test_refused_attempts_do_not_fill_the_journal(people: People) -> None:
    """A thousand in a minute are one entry and a count, which is written also when nobody tries any more."""
    now = [0.0]
    refusals = Refusals(people.store, lambda: now[0])
    for _ in range(1000):
        refusals.note("nobody", "GET /x", "not signed in", "192.0.2.7")
    assert len(people.store.journal.entries(kind="refused")) == 1
    now[0] = 61.0
    refusals.note("nobody", "GET /x", "not signed in", "192.0.2.7")
    assert [e.what["times"] for e in people.store.journal.entries(kind="refused")] == [1, 1000]
    for path in range(500):
        refusals.note("nobody", f"GET /{path}", "not signed in", "192.0.2.7")
    refusals.flush()
    entries = people.store.journal.entries(kind="refused")
    assert len(entries) < 70
    assert sum(int(str(e.what["times"])) for e in entries) == 1501
    refusals.flush()
    assert len(people.store.journal.entries(kind="refused")) == len(entries)


def test_a_flood_hides_no_refused_sign_in(people: People) -> None:
    """Whatever else is refused meanwhile: a refused log-on is in the journal at once, and each is counted."""
    refusals = Refusals(people.store, lambda: 0.0)
    for path in range(5000):
        refusals.note("nobody", f"GET /{path}", "not signed in", f"192.0.2.{path % 250}")
    refusals.note("nobody", "sign-in as gholm", "wrong name or password", "192.0.2.9", Kind.SIGN_IN)
    newest = people.store.journal.entries(kind="refused")[-1]
    assert (newest.what["attempt"], newest.what["kind"]) == ("sign-in as gholm", "sign-in")
    for _ in range(30):
        refusals.note("nobody", "sign-in as gholm", "wrong name or password", "192.0.2.9", Kind.SIGN_IN)
    for address in range(200):
        refusals.note("nobody", "sign-in as gholm", "wrong", f"198.51.100.{address}", Kind.SIGN_IN)
    refusals.flush()
    entries = people.store.journal.entries(kind="refused")
    counted = {kind: 0 for kind in Kind}
    for entry in entries:
        counted[Kind(str(entry.what["kind"]))] += int(str(entry.what["times"]))
    assert (counted[Kind.REQUEST], counted[Kind.SIGN_IN]) == (5000, 231)
    assert len(entries) < 200


def test_journal_keeps_the_way(people: People) -> None:
    """Whatever name is given, the entry says by which login or account it came; readings do not."""
    with acting_through(at="command line", system_user="lab"):
        people.add("gholm", "Greta Holm", {Role.READER}, GOOD, "Somebody Else")
    (entry,) = people.store.journal.entries(kind="account")
    assert entry.what["through"] == {"at": "command line", "system_user": "lab"}
    assert people.store.verify().faults == ()


def test_verification_does_not_mind_the_way(people: People) -> None:
    """An inspection that came by the command line or a page is held against its entry all the same."""
    from logger.acts import inspections as actions
    from logger.acts import marks
    from logger.config import example_folder, load
    from logger.model import Inspection, Mark

    setup = load(example_folder()).setup
    with acting_through(at="dashboard", account="gholm"):
        job = Inspection("J1", "machine-bay", 0, None, "bore")
        actions.start_inspection(people.store, setup, job, "Greta Holm", 5 * NS)
        actions.stop_inspection(people.store, "J1", "Greta Holm", 9 * NS)
        marks.mark(people.store, setup, Mark("machine-bay", NS, 2 * NS, "painting", "Greta Holm"))
    assert people.store.verify().faults == ()


def test_passwords_are_kept_by_argon2id() -> None:
    """The digest that is stored: Argon2id at least as costly as RFC 9106, 4, its second choice."""
    from argon2 import PasswordHasher, Type, extract_parameters

    remaining = extract_parameters(PasswordHasher().hash("what logger.people.passwords makes"))
    assert remaining.type is Type.ID
    assert (remaining.time_cost >= 3, remaining.memory_cost >= 64 * 1024, remaining.hash_len >= 32) == (
        True,
        True,
        True,
    )


def test_two_names_of_one_account_are_one_person(people: People) -> None:
    """Whoever proposes as "gholm" does not approve as "Greta Holm"."""
    people.add("gholm", "Greta Holm", {Role.METROLOGIST, Role.QUALITY}, GOOD, "test")
    people.add("op", "Olga Pern", {Role.OPERATOR}, GOOD, "test")
    assert people.is_same_person("gholm", " greta  holm")
    assert not people.is_same_person("gholm", "op")
    assert people.is_same_person("Somebody", "somebody ")
    people.add("ren", "Ren\u00e9 Noir", {Role.QUALITY}, GOOD, "test")
    for spelling in ("Rene\u0301 Noir", "REN\u00c9\u00a0NOIR", "Ren\u00e9\u200b Noir", "\uff32\uff25\uff2e"):
        assert people.is_same_person("ren", spelling), spelling
    with pytest.raises(Refused, match="already"):
        people.add("twin", "Rene\u0301 Noir", {Role.METROLOGIST}, GOOD, "test")
    assert people.acting("GHOLM", Act.APPROVE) == "Greta Holm"
    with pytest.raises(Refused, match="nobody known here has no account here"):
        people.acting("nobody known here", Act.APPROVE)
    assert people.store.journal.entries(kind="refused")[-1].who == "nobody known here"
    with pytest.raises(Refused, match=r"Olga Pern \(operator\) may not propose limits"):
        people.acting("op", Act.PROPOSE)
    assert people.store.journal.entries(kind="refused")[-1].who == "Olga Pern"
    people.set_active("op", False, "test")
    with pytest.raises(Refused, match="is disabled"):
        people.acting("Olga Pern", Act.READ)


def test_letters_that_look_alike_make_no_second_person(people: People) -> None:
    """One Cyrillic letter (Unicode Technical Standard 39: а, U+0430, looks like a) is no other person."""
    assert people.is_same_person("Greta Holm", "Gret\u0430 Holm")
    assert people.acting(" Gret\u0430 Holm ", Act.APPROVE) == "Gret\u0430 Holm"  # no account yet: as given
    people.add("gholm", "Greta Holm", {Role.METROLOGIST}, GOOD, "test")
    with pytest.raises(Refused, match=r"looks like 'Greta Holm'.*\(CYRILLIC SMALL LETTER A\)"):
        people.add("twin", "Gret\u0430 Holm", {Role.QUALITY}, GOOD, "test")
    with pytest.raises(Refused, match="looks like 'gholm'"):
        people.add("gh0lm", "Somebody Else", {Role.QUALITY}, GOOD, "test")
    with pytest.raises(Refused, match=r"looks like Greta Holm, but has .*CYRILLIC SMALL LETTER A"):
        people.acting("Gret\u0430 Holm", Act.PROPOSE)
    people.add("cyr", "\u041e\u043b\u044c\u0433\u0430 \u041f\u0435\u0440\u043d", {Role.QUALITY}, GOOD, "test")
    assert people.acting("\u041e\u043b\u044c\u0433\u0430 \u041f\u0435\u0440\u043d", Act.APPROVE).endswith(
        "\u043d"
    )


def test_limits_change_by_two_accounts(people: People) -> None:
    """An operator proposes nothing; a metrologist's change waits until quality approves it."""
    from logger.acts.setup import approve, propose
    from logger.config import example_folder, read_texts

    for name, role in (("op", Role.OPERATOR), ("met", Role.METROLOGIST), ("qual", Role.QUALITY)):
        people.add(name, f"The {role.value}", {role}, GOOD, "test")
    texts = {name: text.replace("simulated = true", "simulated = false") for name, text in
             read_texts(example_folder()).items()}  # fmt: skip
    store = people.store
    propose(store, texts, "met", "first", 1)
    with pytest.raises(Refused, match="has no account here"):
        propose(store, texts, "Somebody", "first", 1)
    changed = {**texts, "limits.toml": texts["limits.toml"].replace("20.5", "20.4", 1)}
    assert changed != texts
    with pytest.raises(Refused, match="may not propose"):
        propose(store, changed, "The operator", "wider", 2)
    with pytest.raises(Refused, match="has no account here"):
        propose(store, changed, "an invented name", "wider", 2)
    version = propose(store, changed, "met", "by the new specification", 3)
    assert store.setups.versions()[-1].version == 1
    with pytest.raises(Refused, match="has no account here"):
        approve(store, version, "another invented name", "", 4)
    for other in ("op", "met"):
        with pytest.raises(Refused, match="may not approve"):
            approve(store, version, other, "", 4)
    approve(store, version, "qual", "", 5)
    newest = store.setups.versions()[-1]
    assert (newest.version, newest.who, newest.approver) == (version, "The metrologist", "The quality")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE account SET roles = '[\"administrator\"]' WHERE name = 'op'", "account op:"),
        ("UPDATE account SET password = (SELECT password FROM account WHERE name = 'op')", "account gholm:"),
        ("UPDATE account SET active = 1 WHERE name = 'gone'", "account gone:"),
        ("UPDATE account SET person = 'X' WHERE name = 'op'", "account op:"),
        ("INSERT INTO account SELECT 'a', 'A', roles, password, 1, 0, 0 FROM account LIMIT 1", "account a:"),
        ("DELETE FROM account WHERE name = 'op'", "account op:"),
        ('UPDATE token SET scopes = \'["readings", "verdicts"]\'', "token "),
        ("UPDATE token SET revoked_ns = NULL", "token "),
        ("UPDATE token SET until_ns = 5", "token "),
        ("UPDATE token SET sha256 = (SELECT sha256 || '0' FROM token)", "token "),
        ("UPDATE token SET made_ns = made_ns - 1", "token "),
        ("UPDATE token SET revoked_ns = revoked_ns + 1", "token "),
        ("UPDATE token SET probes = '['", "token "),
        ("UPDATE account SET made_ns = made_ns - 1 WHERE name = 'op'", "account op:"),
        ("UPDATE account SET changed_ns = changed_ns + 1 WHERE name = 'op'", "account op:"),
        ("UPDATE account SET active = 2 WHERE name = 'op'", "account op:"),
        ("UPDATE account SET roles = '{' WHERE name = 'op'", "account op:"),
    ],
    ids=lambda text: text[:44],
)
def test_what_was_changed_past_the_journal_is_named(people: People, statement: str, fault: str) -> None:
    """A role, a password or a token exchanged in the file itself (ISO/IEC 17025, 7.11.3: integrity)."""
    import sqlite3
    from contextlib import closing

    for name, role in (("gholm", Role.METROLOGIST), ("op", Role.OPERATOR), ("gone", Role.QUALITY)):
        people.add(name, f"Person {name}", {role}, GOOD, "test")
    people.set_roles("gholm", {Role.QUALITY, Role.METROLOGIST}, "test")
    people.set_password("op", GOOD + "!", "test")
    people.set_active("gone", False, "test")
    tokens = Tokens(people.store)
    built, _ = tokens.add("node", {Scope.READINGS}, "test", probes=["P1"])
    tokens.revoke(built.id, "test")
    assert people.store.verify().faults == ()
    with closing(sqlite3.connect(people.store.folder / "stillroom.db")) as editor:
        editor.execute(statement)
        editor.commit()
    assert any(result.startswith(fault) for result in people.store.verify().faults)


def test_a_weaker_digest_is_renewed_and_journalled(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    from argon2 import PasswordHasher

    from logger.people import passwords

    people.add("gholm", "Greta Holm", {Role.METROLOGIST}, GOOD, "test")
    stronger = PasswordHasher(time_cost=2, memory_cost=64, parallelism=1)
    monkeypatch.setattr(passwords, "_hasher", lambda: stronger)
    assert people.authenticate("gholm", GOOD) is not None
    assert people.authenticate("gholm", GOOD) is not None
    assert [e.what["act"] for e in people.store.journal.entries(kind="account")] == ["add", "password"]
    assert people.store.verify().faults == ()


def test_sessions_as_the_setup_says(people: People, clock: Clock) -> None:
    """[sign_in] of service.toml; what it cannot be is refused with the key."""
    from logger.config import example_folder, load_texts, read_texts
    from logger.errors import ConfigError

    texts = dict(read_texts(example_folder()))
    assert load_texts(texts).sessions.idle_s == 7200
    texts["service.toml"] += "\n[sign_in]\nidle_min = 10\nlongest_h = 1\n"
    sessions = Sessions(people, load_texts(texts).sessions, clock)
    people.add("op", "Op", {Role.OPERATOR}, GOOD, "test")
    key = sessions.begin("op")
    clock.ns += 599 * NS
    assert sessions.account(key, used=False) is not None
    clock.ns += NS
    assert sessions.account(key, used=False) is None
    with pytest.raises(ConfigError, match=r"service.toml \[sign_in\] idle_min"):
        load_texts({**texts, "service.toml": "[sign_in]\nidle_min = 0\n"})
