"""The commands on a record in PostgreSQL: the same answers and acts as on the same record in its folder."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.store import Store
from logger.store.store_file import hot_table
from tests.cli.test_cli_room import HEAD, OLD
from tests.command_line import Run
from tests.database_server import PASSWORD_ENV, DatabaseServer

BAY, HOUR = ("--zone", "machine-bay"), ("--from", "2026-10-19T09:30", "--to", "2026-10-19T11:00")
DAY = ("--from", "2026-10-19", "--to", "2026-10-20")
GRETA, INES = ("--who", "Greta Holm"), ("--who", "Ines Faber")
QUESTIONS = (
    ("forecast", *BAY),
    ("verdicts", *BAY, *DAY),
    ("check", *BAY, *HOUR, "--json"),
    ("check", *BAY, *HOUR, "--length-mm", "420", "--material", "aluminium", "--tolerance-um", "30"),
    ("soak", "--material", "steel", "--size-mm", "100x35x9", "--from-C", "27", "--residual-K", "0.2"),
    ("compare", "P1.temperature", "P2.temperature", *DAY),
    ("conflict", "list"),
    ("study", "cycles", *BAY, *DAY),
    ("study", "hours", *BAY, "--hours", "4"),
    ("campaign", "list"),
    ("inspection", "list"),
    ("inspection", "impact", *BAY, "--at", "2026-10-19T05:30"),
    ("inspection", "budget", *BAY, "--length-mm", "420", "--material", "aluminium"),
    ("case", "list", *DAY),
    ("case", "show", "1"),
    ("case", "causes"),
    ("excursion", "list", *DAY),
    ("limits", "derive", "--length-mm", "500", "--material", "aluminium", "--allowed-um", "2"),
    ("alarm", "list"),
    ("probe", "list", "--at", "2026-10-22"),
    ("record", "at", "2026-10-20T14:10", *BAY),
    ("record", "conditions", *BAY, *HOUR),
    ("record", "list"),
    ("record", "months", *BAY),
    ("review", "list"),
    ("review", "show", "2026-W43"),
    ("clock", "list"),
    ("config", "list"),
    ("user", "list"),
    ("reference", "list"),
    ("replay", *DAY, "--delays", "600"),
    ("rejudge", "--dry-run"),
)
ACTS = (
    ("mark", "time", "--zone", "plate-bench", *HOUR, "--why", "filter change", *GRETA),
    ("mark", "stop-work", *BAY, "--why", "air handling has failed", *GRETA),
    ("mark", "resume-work", *BAY, "--why", "stable since two", *GRETA),
    (
        "case",
        "note",
        "1",
        "--cause",
        "air handling",
        "--detail",
        "damper stuck",
        "--immediate",
        "none",
        *GRETA,
    ),
    ("inspection", "start", "Gear case 7", *BAY, "--part", "GC-114", *GRETA),
    ("alarm", "list"),
    ("config", "export", "--out", "{out}/config"),
    ("config", "list"),
    ("export", "--out", "{out}/october", *DAY),
    ("calendar", "--out", "{out}/due.ics"),
    ("package", *DAY, "--out", "{out}/audit"),
    ("probe", "register", "--out", "{out}/register.csv"),
    ("record", "head", "--out", "{out}/heads"),
    ("record", "issue", *BAY, *DAY, "--out", "{out}/records", *GRETA),
    ("record", "key", "--rotate", "--why", "yearly", *GRETA),
    ("user", "add", "gholm", "--person", "Greta Holm", "--role", "metrologist"),
    ("user", "token", "list"),
    ("review", "handover", *GRETA),
    ("room", "clone", "--key", "west", "--name", "West", "--out", "{out}/west"),
    ("dispose", "--before", "2016-01-01", *GRETA, "--approver", "Ines Faber", "--why", "QM 4.2"),
    ("backup", "--to", "{out}/backups"),
    ("restore", "--from", "{out}/backups", "--data", "{out}/restored"),
    ("verify",),
    ("room", "archive", "--why", "bay moved", *GRETA),
    ("check", *BAY, *HOUR),
    ("mark", "stop-work", *BAY, "--why", "never", *GRETA),
    ("room", "reopen", "--why", "used again", *GRETA),
    ("verify",),
)


# Digests and keys, times of day, sizes and durations, and the entry that says that the record was moved.
DIFFERING = (
    r"(?m)^[A-Za-z0-9+/=]{40,}$",
    r"\d{8}-\d{6}-[0-9a-f]{4}",
    r"[0-9a-f]{8,64}",
    r"[0-9a-f]{4} [0-9a-f]{4}[0-9a-f ]*",
    r"\d\d:\d\d(:\d\d\S*)?",
    r"\d+[.,]?\d* (ms|s|kB|MB|MiB|bytes|journal entries|entries)\b",
    r"(entry|journal:) \d+",
)


@pytest.fixture
def moved(
    demo_copy: Path, server: DatabaseServer, stillroom: Run, tmp_path: Path
) -> Iterator[tuple[Path, Path]]:
    """The demo in its folder, and the same record on a server."""
    there = Path(shutil.copytree(demo_copy, tmp_path / "on-server" / "data"))
    name, _ = server.new_schema()
    move = ("store", "move", "--to", server.address(name), "--schema", name, "--password-env", PASSWORD_ENV)
    result = stillroom(*move, "--data", there)
    assert result.returncode == 0, result.stderr
    yield demo_copy, there
    server.drop_schema(name)


def answer(stillroom: Run, words: tuple[str, ...], data: Path) -> tuple[int, str]:
    """Code and text of a command, without what differs from one run of it to the next."""
    out = data.parent / "out"
    out.mkdir(exist_ok=True)
    args = [word.replace("{out}", str(out)) for word in words]
    at = () if "--data" in args or words[0] in {"soak", "limits"} else ("--data", str(data))
    result = stillroom(*args, *at)
    assert "Traceback" not in result.stderr, (words, result.stderr)
    text = (result.stdout + result.stderr).replace(str(data.parent), "PLACE")
    for pattern in DIFFERING:
        text = re.sub(pattern, "N", text)
    return result.returncode, text


@pytest.mark.slow
def test_every_command_answers_and_acts_as_on_the_record_in_its_folder(
    moved: tuple[Path, Path], stillroom: Run
) -> None:
    here, there = moved
    differing = []
    for words in (*QUESTIONS, *ACTS):
        expected, actual = answer(stillroom, words, here), answer(stillroom, words, there)
        if expected != actual:
            differing.append((" ".join(words), expected, actual))
    assert differing == [], "\n".join(map(str, differing))
    assert hot_table(there) is not None


@pytest.mark.slow
def test_a_record_on_a_server_goes_back_a_program_into_a_folder(
    server: DatabaseServer, stillroom: Run, tmp_path: Path
) -> None:
    folder, out = tmp_path / "data", tmp_path / "older"
    with zipfile.ZipFile(OLD) as packed:
        packed.extractall(folder)
    Store.open(folder).close()  # this upgrades it
    name, _ = server.new_schema()
    move = ("store", "move", "--to", server.address(name), "--schema", name, "--password-env", PASSWORD_ENV)
    assert stillroom(*move, "--data", folder).returncode == 0
    preview = stillroom("room", "roll-back", "--data", folder)
    assert (preview.returncode, "Nothing was written" in preview.stdout) == (0, True), preview.stderr
    with Store.open(folder) as store, store.lock_service():
        refused = stillroom("room", "roll-back", "--out", out, "--data", folder)
        assert (refused.returncode, "Another service" in refused.stderr) == (3, True)
    outcome = stillroom("room", "roll-back", "--out", out, "--json", "--data", folder)
    assert outcome.returncode == 0, outcome.stderr
    assert json.loads(outcome.stdout)["entries"] > 0
    with Store.open(out, read_only=True) as store:
        assert store.verify([HEAD]).faults == ()
        assert store.journal.head() == HEAD
    assert hot_table(out) is None
    assert hot_table(folder) is not None
    assert [path.name for path in out.glob("stillroom.db*")] == ["stillroom.db"]
    server.drop_schema(name)
