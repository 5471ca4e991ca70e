"""A record says beside each name whether an account proved who acted, or whether only a name was given."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dashboard.app import create_app
from logger.cli.program import program_for
from logger.inspections import drop_folder
from logger.model.roles import Role
from logger.people import People
from logger.record.issues import issues
from logger.record.names import MACHINES, Names
from logger.selftest import chain
from logger.service import folder, month_end, reload
from logger.simulation import demo
from logger.store import Store
from logger.store.origin import acting_through
from tests.dashboard.test_who_may import PASSWORD, calls_of, signed_in

from .conftest import tool

SPAN = ("--zone", "machine-bay", "--from", "2026-10-19", "--to", "2026-10-20")


def run_well(data: Path, *words: str) -> None:
    """A command by a script that knows the password of every account here."""
    env = {"STILLROOM_PASSWORD": PASSWORD, "STILLROOM_APPROVER_PASSWORD": None}
    answer = CliRunner().invoke(program_for(words), [*words, "--data", str(data)], env=env)
    assert answer.exit_code == 0, (words, answer.output, answer.exception)


def with_accounts(data: Path) -> None:
    with Store.open(data) as store:
        for name, person, role in (
            ("ramsel", "Ruth Amsel", Role.METROLOGIST),
            ("jvolk", "Jan Volk", Role.QUALITY),
        ):
            People(store).add(name, person, {role}, PASSWORD, "test")


def facts_of(out: Path) -> Any:
    return json.loads(next(out.glob("*record-*.json")).read_text("utf-8"))


def paper_of(out: Path) -> str:
    """The words of the pages on one line."""
    return re.sub(r"\s+", " ", tool("pdftotext", "-layout", next(out.glob("*.pdf")), "-")[1])


def mark_and_issue(data: Path, out: Path, who: str) -> None:
    run_well(data, "mark", "time", *SPAN[:2], "--from", "2026-10-19T05:00", "--to", "2026-10-19T05:10",
         "--why", "door open", "--who", who)  # fmt: skip
    run_well(data, "record", "issue", *SPAN, "--out", str(out), "--who", who)


@pytest.mark.slow
def test_without_accounts_each_name_is_one_that_was_given(demo_copy: Path, tmp_path: Path) -> None:
    mark_and_issue(demo_copy, tmp_path / "out", "Ruth Amsel")
    facts, paper = facts_of(tmp_path / "out"), paper_of(tmp_path / "out")
    assert (facts["issue"]["by"], facts["issue"]["proven"]) == ("Ruth Amsel", False)
    (mark,) = [m for m in facts["marks"] if m["reason"] == "door open"]
    assert (mark["who"], mark["proven"]) == ("Ruth Amsel", False)
    assert re.search(r"Issued .{0,40} by Ruth .{0,100}Amsel \(name given\)", paper)
    assert paper.count("(name given)") >= 3, "issue, mark, and the line that explains them"
    assert "no account proved who did it" in paper


@pytest.mark.slow
def test_an_account_with_its_password_proves_the_name(demo_copy: Path, tmp_path: Path) -> None:
    """What was done before there were accounts stays a name that was given."""
    run_well(demo_copy, "mark", "time", *SPAN[:2], "--from", "2026-10-19T06:00", "--to", "2026-10-19T06:10",
         "--why", "before", "--who", "Ruth Amsel")  # fmt: skip
    with_accounts(demo_copy)
    mark_and_issue(demo_copy, tmp_path / "out", "ramsel")
    facts, paper = facts_of(tmp_path / "out"), paper_of(tmp_path / "out")
    assert (facts["issue"]["by"], facts["issue"]["proven"]) == ("Ruth Amsel", True)
    proven = {m["reason"]: (m["who"], m["proven"]) for m in facts["marks"]}
    assert proven["door open"] == ("Ruth Amsel", True)
    assert proven["before"] == ("Ruth Amsel", False)
    assert re.search(r"Issued .{0,40} by Ruth .{0,100}?Amsel (?!\(name given\))", paper)
    with Store.open(demo_copy, read_only=True) as store:
        assert store.verify().intact
    run_well(demo_copy, "export", "--format", "parquet", "--out", str(tmp_path / "export"))
    versions = json.loads((tmp_path / "export" / "setup" / "versions.json").read_text("utf-8"))
    assert {version["author_proven"] for version in versions} == {None}  # the program made the demo
    imports = json.loads((tmp_path / "export" / "imports.json").read_text("utf-8"))
    assert {file["proven"] for file in imports} == {None}


@pytest.mark.slow
def test_lists_and_the_state_at_an_instant_say_it_as_well(demo_copy: Path, tmp_path: Path) -> None:
    """One record was issued under a name that was given, a later one by an account with its password."""
    run_well(demo_copy, "record", "issue", *SPAN, "--out", str(tmp_path / "a"), "--who", "Ruth Amsel")
    with_accounts(demo_copy)
    run_well(
        demo_copy, "record", "amend", "1", "--why", "again", "--out", str(tmp_path / "b"), "--who", "ramsel"
    )
    with Store.open(demo_copy) as store:
        assert [(i.who, i.to_dict()["proven"]) for i in issues(store)] == [
            ("Ruth Amsel", False),
            ("Ruth Amsel", True),
        ]
    arguments = ("record", "at", "2026-10-19T10:00", "--zone", "machine-bay", "--data", str(demo_copy))
    state = json.loads(CliRunner().invoke(program_for(arguments), [*arguments, "--json"]).stdout)
    assert [record["proven"] for record in state["records"]] == [False, True]
    assert state["setup"]["author_proven"] is None  # the program made the demo
    words = CliRunner().invoke(program_for(arguments), arguments).stdout
    assert "issued by Ruth Amsel (name given), replaced by record 2" in words
    assert "Record 2 covers it, issued by Ruth Amsel." in words


@pytest.mark.slow
def test_a_page_where_somebody_signed_in_proves_the_name(demo_copy: Path) -> None:
    with_accounts(demo_copy)
    pages = create_app(demo_copy)
    client = signed_in(pages, "ramsel")
    (call,) = [c for _, c in calls_of(pages) if any(p and p["id"] == "issue-go" for p in c["inputs"])]
    call["inputs"][0]["value"] = 1
    for part, value in zip(call["state"], ("machine-bay", "2026-10-19", "2026-10-20", False), strict=True):
        part["value"] = value
    outputs = call["output"].strip(".").split("...")
    call["outputs"] = [dict(zip(("id", "property"), o.rsplit(".", 1), strict=True)) for o in outputs]
    answer = client.post("/_dash-update-component", json=call | {"changedPropIds": ["issue-go.n_clicks"]})
    assert "issued." in answer.text, answer.text
    facts = facts_of(demo_copy / "records" / "000001")
    assert (facts["issue"]["by"], facts["issue"]["proven"]) == ("Ruth Amsel", True)


def test_both_people_of_a_setup_and_who_takes_notice_of_an_alarm(demo_copy: Path) -> None:
    """The account must be that of the name: another one proves nothing of it; nor does a machine's token."""
    with_accounts(demo_copy)
    with Store.open(demo_copy) as store:
        texts = dict(store.setups.versions()[-1].texts)
        with acting_through(at="command line", account="ramsel"):
            number = store.setups.put(texts, "Ruth Amsel", "both", "Jan Volk", 1)
        with acting_through(at="command line", account="ramsel, jvolk"):
            both = store.setups.put(texts, "Ruth Amsel", "both", "Jan Volk", 2)
        names = Names(store)
        versions = names.proven_versions()
        assert versions[number] == {"author_proven": True, "approver_proven": False}
        assert versions[both] == {"author_proven": True, "approver_proven": True}
    assert names.proven("Jan Volk", {"through": {"at": "http", "token": "jvolk"}}) is False
    assert names.proven("Jan Volk", {"through": {"at": "link in a mail"}}) is False
    assert names.proven("Jan Volk", {}) is False
    assert names.proven("service", {}) is None


@pytest.mark.parametrize("module", [drop_folder, chain, folder, month_end, reload, demo])
def test_who_acts_without_a_person_is_printed_as_it_is(module: Any) -> None:
    assert module.WHO in MACHINES
    assert demo.SECOND in MACHINES
