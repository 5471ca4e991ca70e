"""Who acts on the command line: an account with its password, once a record has accounts."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import CliRunner

from logger.acts.setup import apply_setup
from logger.cli.program import program_for
from logger.config import example_folder, read_texts
from logger.errors import Refused
from logger.model.roles import Role
from logger.people import People, invented
from logger.store import Store

PASSWORD = "a room of 20 degrees"
ACCOUNTS = (
    ("gholm", "Greta Holm", Role.METROLOGIST),
    ("faber", "Ines Faber", Role.QUALITY),
    ("guest", "Guido Estrel", Role.READER),
    ("boss", "Nora Adler", Role.ADMINISTRATOR),
)
Ask = Callable[..., "Done"]


@dataclass(frozen=True)
class Done:
    """What became of a command."""

    returncode: int
    stdout: str
    stderr: str


def run(data: Path, *words: str, typed: str = "", **env: str | None) -> Done:
    """The program in this process; what main() would print of a refusal is in `stderr`."""
    every = {"STILLROOM_PASSWORD": None, "STILLROOM_APPROVER_PASSWORD": None, **env}
    result = CliRunner().invoke(program_for(words), [*words, "--data", str(data)], input=typed, env=every)
    if isinstance(result.exception, Refused):
        return Done(2, result.stdout, str(result.exception))
    return Done(result.exit_code, result.stdout, result.stderr + str(result.exception or ""))


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A real record in data/ with accounts, and a configuration with a wider limit in config/."""
    folder = tmp_path_factory.mktemp("authority")
    texts = {
        name: text.replace("simulated = true", "simulated = false")
        for name, text in read_texts(example_folder()).items()
    }
    with Store.open(folder / "data", create=True, simulated=False) as store:
        apply_setup(store, texts, "first", "first", "first", 1)
        for name, full, role in ACCOUNTS:
            People(store).add(name, full, {role}, PASSWORD, "test")
    config = Path(shutil.copytree(example_folder(), folder / "config"))
    for name, text in texts.items():
        (config / name).write_text(text.replace("20.5", "28.0") if name == "limits.toml" else text, "utf-8")
    return folder


@pytest.fixture
def room(template: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(template, tmp_path / "room"))


@pytest.fixture
def ask(room: Path) -> Ask:
    """ask(words, …, password=…): a command by a script that has or has not a password."""

    def run_as(
        *words: str, password: str | None = None, approver: str | None = None, typed: str = ""
    ) -> Done:
        env = {"STILLROOM_PASSWORD": password, "STILLROOM_APPROVER_PASSWORD": approver}
        return run(room / "data", *words, typed=typed, **env)

    return run_as


def versions(room: Path) -> list[int]:
    with Store.open(room / "data", read_only=True) as store:
        return [row.version for row in store.setups.versions()]


@pytest.mark.slow
def test_two_invented_names_put_nothing_in_force(room: Path, ask: Ask) -> None:
    """Once there are accounts, names without one, a look-alike and a name without its password do nothing."""
    apply = ("config", "apply", "--config", str(room / "config"), "--why", "wider")
    for who, password, expected in (
        ("Somebody", PASSWORD, "Somebody has no account here"),
        ("Gret\u0430 Holm", PASSWORD, "CYRILLIC SMALL LETTER A"),
        ("Guido Estrel", PASSWORD, "may not propose limits"),
        ("gholm", None, "STILLROOM_PASSWORD"),
        ("gholm", "not the password", "the password of Greta Holm is wrong"),
    ):
        result = ask(*apply, "--who", who, password=password)
        assert (result.returncode, result.stdout) == (2, ""), who
        assert expected in result.stderr, who
    assert ask(*apply, "--who", "gholm", password=PASSWORD).returncode == 0
    for who, password, expected in (
        ("Another Invented", PASSWORD, "has no account here"),
        ("Gret\u0430 Holm", PASSWORD, "has no account here"),
        ("greta  HOLM", PASSWORD, "may not approve"),
        ("faber", "guessed at random", "is wrong"),
    ):
        result = ask("config", "approve", "2", "--who", who, password=password)
        assert result.returncode == 2, who
        assert expected in result.stderr, who
    assert versions(room) == [1]
    assert ask("config", "approve", "2", "--who", "faber", password=PASSWORD).returncode == 0
    with Store.open(room / "data", read_only=True) as store:
        newest = store.setups.versions()[-1]
        ways = [e.what.get("through", {}).get("account") for e in store.journal.entries()]
        refused = [e.who for e in store.journal.entries(kind="refused")]
    assert (newest.version, newest.who, newest.approver) == (2, "Greta Holm", "Ines Faber")
    assert "faber" in ways
    assert {"Somebody", "Guido Estrel", "Greta Holm", "Ines Faber"} <= set(refused)


IN_BAY = ("--zone", "machine-bay")
ACTS = (
    (
        "record",
        "issue",
        "--zone",
        "machine-bay",
        "--from",
        "2026-10-19",
        "--to",
        "2026-10-20",
        "--out",
        "OUT",
    ),
    ("record", "amend", "1", "--why", "x", "--out", "OUT"),
    ("package", "--from", "2026-10-01", "--to", "2026-10-02", "--out", "OUT"),
    ("review", "sign", "2026-W43"),
    ("review", "sign", "2026-W43", "--account", "guest"),
    ("config", "refuse", "2", "--why", "no"),
    ("config", "take-over", "2"),
    ("import", "sample_logs/machine-bay.csv"),
    ("import", "sample_logs"),
    ("import", "--watch", "sample_logs"),
    ("backup", "--to", "OUT"),
    ("record", "key", "--rotate", "--why", "yearly"),
    ("alarm", "prove"),
    ("case", "note", "1", "--cause", "other"),
    ("mark", "time", "--zone", "machine-bay", "--from", "2026-10-19", "--to", "2026-10-20", "--why", "x"),
    ("mark", "stop-work", "--zone", "machine-bay", "--why", "x"),
    ("alarm", "acknowledge", "bay-temperature", "--comment", "x"),
    ("alarm", "shelve", "bay-temperature", "--hours", "1", "--reason", "x"),
    ("inspection", "start", "Ring", "--zone", "machine-bay"),
    ("inspection", "stop", "I-1"),
    ("probe", "withdraw", "P6", "--why", "x"),
    ("clock", "compare", "P5", "--shows", "2026-10-19T05:30", "--why", "x"),
    ("dispose", "--before", "2016-01-01", "--approver", "faber", "--why", "x"),
    ("user", "add", "new", "--person", "New One", "--role", "quality", "--password-stdin"),
    ("user", "role", "guest", "--role", "quality"),
    ("user", "disable", "faber"),
    ("user", "password", "faber", "--password-stdin"),
    ("user", "token", "add", "t", "--scope", "readings"),
)


@pytest.mark.slow
@pytest.mark.parametrize("words", ACTS, ids=lambda words: " ".join(words[:2]))
def test_every_act_that_takes_a_role_asks_who(room: Path, ask: Ask, words: tuple[str, ...]) -> None:
    """Neither an invented name nor a reader's does any of them."""
    words = tuple(str(room / "out") if word == "OUT" else word for word in words)
    for who in (("--who", "Somebody"), ("--who", "guest")) if "--account" not in words else ((),):
        result = ask(*words, *who, password=PASSWORD)
        assert result.returncode == 2, (who, result)
        assert "has no account here" in result.stderr or "(reader) may not" in result.stderr, result
    assert not (room / "out").exists()
    with Store.open(room / "data", read_only=True) as store:
        assert len(People(store).all()) == len(ACCOUNTS)


def test_disposing_takes_two_accounts(ask: Ask) -> None:
    """Each with a password of its own; the second one is given by another variable, or typed."""
    words = ("dispose", "--before", "2016-01-01", "--why", "x", "--who", "gholm", "--approver", "faber")
    result = ask(*words, password=PASSWORD)
    assert "STILLROOM_APPROVER_PASSWORD" in result.stderr
    result = ask(*words, password=PASSWORD, approver="another password")
    assert "the password of Ines Faber is wrong" in result.stderr
    result = ask(*words, password=PASSWORD, approver=PASSWORD)
    assert "no account" not in result.stderr
    assert "password" not in result.stderr


def test_a_lost_password_is_recovered_on_record(room: Path, ask: Ask) -> None:
    """Who owns the machine owns the record: it can be done, and the journal says how and by which login."""
    words = ("user", "password", "boss", "--password-stdin")
    assert ask(*words, "--who", "boss", typed="quite another password\n").returncode == 2
    result = ask(*words, "--recover", typed="quite another password\n")
    assert result.returncode == 0, result
    with Store.open(room / "data", read_only=True) as store:
        entry = store.journal.entries(kind="account")[-1]
        assert entry.who.endswith("by --recover")
        assert store.verify().intact
    assert ask("user", "disable", "guest", "--who", "boss", password=PASSWORD).returncode == 2
    assert ask("user", "disable", "guest", "--who", "boss", password="quite another password").returncode == 0


@pytest.mark.slow
def test_a_demonstration_is_worked_by_its_invented_people(demo_copy: Path) -> None:
    """On a simulated record the two-person drill needs no password, only two of its people; whoever names
    nobody is the first of them.
    """
    with Store.open(demo_copy) as store:
        invented.settle(People(store))
        texts = store.setups.versions()[-1].texts
    folder = Path(shutil.copytree(example_folder(), demo_copy.parent / "config"))
    for name, text in texts.items():
        (folder / name).write_text(text.replace("20.5", "20.4") if name == "limits.toml" else text, "utf-8")

    result = run(demo_copy, "config", "apply", "--config", str(folder), "--why", "tighter")
    assert "is proposed. Another person approves it: stillroom config approve 2 --who faber" in result.stdout
    refused = run(demo_copy, "config", "approve", "2")
    assert "In this demo, give: --who faber." in refused.stderr
    assert run(demo_copy, "config", "approve", "2", "--who", "faber").returncode == 0
    assert run(demo_copy, "config", "approve", "2", "--who", "Anybody").returncode == 2
    with Store.open(demo_copy, read_only=True) as store:
        newest = store.setups.versions()[-1]
    assert (newest.who, newest.approver) == ("Greta Holm", "Ines Faber")


@pytest.mark.slow
def test_a_drill_that_its_hint_begins_can_be_ended(demo_copy: Path) -> None:
    """Who may not propose is sent to somebody after whom another can approve; who is the only approver and
    proposes all the same is told so, and how to go on.
    """
    with Store.open(demo_copy) as store:
        invented.settle(People(store))
        texts = store.setups.versions()[-1].texts
    folder = Path(shutil.copytree(example_folder(), demo_copy.parent / "config"))
    for name, text in texts.items():
        (folder / name).write_text(text.replace("20.5", "20.4") if name == "limits.toml" else text, "utf-8")
    apply = ("config", "apply", "--config", str(folder), "--why", "tighter")

    refused = run(demo_copy, *apply, "--who", "sova")
    assert "In this demo, give: --who holm." in refused.stderr
    alone = run(demo_copy, *apply, "--who", "faber")
    assert "Nobody else here may approve it" in alone.stdout, alone.stderr
    assert "propose it with --who holm" in alone.stdout
    assert run(demo_copy, "config", "refuse", "2", "--why", "proposed by the wrong one").returncode == 0
    hint = run(demo_copy, *apply, "--who", "holm").stdout.partition("stillroom ")[2].splitlines()[0]
    assert run(demo_copy, *hint.split()).returncode == 0, hint
