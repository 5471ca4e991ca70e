"""The rules of the house, each checked by the tool that knows it, with the command of README.md."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import typer

from logger.cli.program import app

ROOT = Path(__file__).resolve().parents[1]
CODE = sorted([*(ROOT / "logger").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")])
CONFIG_FILES = (
    *("room.toml", "probes.toml", "limits.toml", "alarms.toml", "service.toml"),
    *("certificates", "profiles"),
)


def checked(*command: str) -> None:
    """Run a tool of this environment; what it says is the failure."""
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_ruff_finds_nothing() -> None:
    checked("ruff", "check", "logger", "dashboard", "tests")


def test_the_code_is_formatted() -> None:
    checked("ruff", "format", "--check", "logger")


def test_every_type_is_known() -> None:
    checked("mypy")


def test_imports_point_down_only() -> None:
    """The floors of pyproject.toml; `lint-imports` has no module form, so its entry is called."""
    code = "import sys; from importlinter.cli import lint_imports_command as run; sys.exit(run())"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_files_stay_short_enough_to_read() -> None:
    """About 400 lines (a house rule); 30 more are tolerated before a file must be parted."""
    lengths = {file.relative_to(ROOT).as_posix(): len(file.read_text("utf-8").splitlines()) for file in CODE}
    assert {name: n for name, n in lengths.items() if n > 430} == {}


def commands(group: Any, before: str = "stillroom") -> list[str]:
    """Every command of the program as a person types it."""
    inside = getattr(group, "commands", {})
    return [line for name, one in inside.items() for line in commands(one, f"{before} {name}")] or [before]


def test_every_command_is_documented() -> None:
    text = (ROOT / "README.md").read_text("utf-8") + (ROOT / "DEVELOPERS.md").read_text("utf-8")
    every = commands(typer.main.get_command(app))
    assert len(every) > 20
    assert [command for command in every if not re.search(rf"{command}\b", text)] == []


def test_every_configuration_file_and_table_is_documented() -> None:
    """Each table of the example stands below a comment that explains it, and each file in README.md."""
    readme = (ROOT / "README.md").read_text("utf-8")
    assert [name for name in CONFIG_FILES if name not in readme] == []
    for file in (ROOT / "config").rglob("*.toml"):
        if file.parent.name == "config":
            assert file.read_text("utf-8").startswith("#"), f"{file.name} begins without saying what it is"


def test_the_two_commands_are_those_that_run() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    run = "python3 -m venv .venv && .venv/bin/pip install -e . && .venv/bin/stillroom demo"
    pytest = ".venv/bin/python -m pytest -n auto --dist loadfile"
    test = f"python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && {pytest}"
    assert f"```sh\n{run}\n```" in readme
    assert f"```sh\n{test}\n```" in readme
    assert (ROOT / ".ci" / "run").read_text("utf-8").endswith(f"\n{test}\n")


def test_the_licence_is_whole() -> None:
    text = (ROOT / "LICENSE").read_text("utf-8")
    assert "Apache License" in text
    assert "END OF TERMS AND CONDITIONS" in text


def test_the_map_of_the_house_names_every_room() -> None:
    """DEVELOPERS.md is where a newcomer looks first; a room that is not on its map is lost."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rooms = [file.parent for file in CODE if file.name == "__init__.py"]
    near = [room for room in rooms if len(room.relative_to(ROOT).parts) == 2 or room.parent.name == "core"]
    assert [room.name for room in near if f"{room.name}/" not in text] == []


def test_every_room_says_what_it_holds() -> None:
    """The first line of a package is what its neighbours know of it."""
    packages = {f.relative_to(ROOT).as_posix(): f.read_text("utf-8") for f in CODE if f.name == "__init__.py"}
    assert [n for n, text in packages.items() if not text.startswith('"""') or "To be" in text[:9]] == []


def test_no_example_of_a_property_has_a_time_limit() -> None:
    """Such a limit fails on a busy machine: the profile of tests/conftest.py has none, nor has any test."""
    from hypothesis import settings

    assert settings().deadline is None
    limited = re.compile(r"@settings\([^)]*\bdeadline\b")
    own = [file for file in (ROOT / "tests").rglob("*.py") if limited.search(file.read_text("utf-8"))]
    assert own == []
