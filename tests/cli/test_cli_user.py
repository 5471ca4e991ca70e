"""`stillroom user`: accounts and tokens from the terminal."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.command_line import run_here

PASSWORD = "a room of 20 degrees\n"


def user(data: Path, *words: str, typed: str = "") -> Any:
    """The program with these words."""
    return run_here("user", *words, "--data", data, typed=typed)


def test_an_account_from_first_to_last(demo_copy: Path) -> None:
    """Made, listed, given another role, disabled; each act in the journal with the system's user."""
    result = user(
        demo_copy, "add", "gholm", "--person", "Greta Holm", "--role", "metrologist", "--password-stdin",
        "--who", "The Head", typed=PASSWORD,
    )  # fmt: skip
    assert result.stdout == "Greta Holm signs in as gholm: metrologist.\n", result.stderr
    assert user(demo_copy, "role", "gholm", "--role", "quality").stdout == "Greta Holm: quality.\n"
    assert "is disabled" in user(demo_copy, "disable", "gholm").stdout
    (listed,) = json.loads(user(demo_copy, "list", "--json").stdout)
    assert (listed["name"], listed["roles"], listed["state"]) == ("gholm", "quality", "disabled")
    from logger.store import Store

    with Store.open(demo_copy, read_only=True) as store:
        entries = store.journal.entries(kind="account")
    assert [e.what["act"] for e in entries] == ["add", "roles", "disable"]
    assert entries[0].who == "The Head"
    assert entries[0].what["through"]["at"] == "command line"
    assert entries[0].what["through"]["system_user"]


def test_faults_are_told_and_change_nothing(demo_copy: Path) -> None:
    """An unknown role, a short password, a name that is none, a probe that is not there: 2, and why."""
    add = ("add", "x", "--person", "X Y", "--password-stdin")
    for words, typed, expected in (
        ((*add, "--role", "boss"), PASSWORD, "expected one or more of reader, operator"),
        ((*add, "--role", "reader"), "short\n", "expected 12 to 128 characters, found 5"),
        (("add", "x", "--person", "X Y", "--role", "reader"), "", "--password-stdin"),
        (("disable", "nobody"), "", "There is no account 'nobody'"),
        (("token", "add", "n", "--scope", "everything"), "", "expected one or more of readings"),
        (("token", "add", "n", "--scope", "readings", "--probe", "P99"), "", "There is no probe 'P99'"),
    ):
        result = user(demo_copy, *words, typed=typed)
        assert result.returncode == 2, (words, result.stdout)
        assert expected in result.stderr, (words, result.stderr)
    assert json.loads(user(demo_copy, "list", "--json").stdout) == []


def test_token_is_shown_once(demo_copy: Path) -> None:
    answer = json.loads(user(demo_copy, "token", "add", "node-1", "--scope", "readings", "--json").stdout)
    assert answer["token"].startswith(f"stillroom_{answer['id']}_")
    listed = user(demo_copy, "token", "list").stdout
    assert answer["id"] in listed
    assert answer["token"] not in listed
    assert "is revoked" in user(demo_copy, "token", "revoke", answer["id"]).stdout
