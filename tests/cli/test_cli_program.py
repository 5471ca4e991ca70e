"""The program itself: its front page, its version, what it loads, and what it refuses to run beside."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import time
from importlib.machinery import ModuleSpec
from pathlib import Path
from typing import Any

import pytest
import typer

from logger import __version__
from logger.cli.distribution import refuse_strangers
from logger.cli.program import program
from logger.errors import Refused

HEAVY = {"pandas", "pyarrow", "sqlalchemy", "dash", "typst", "pydantic", "numpy", "plotly", "apscheduler"}
PROGRAM = typer.main.get_command(program())
COMMANDS: dict[str, Any] = dict(getattr(PROGRAM, "commands", {}))
SINGLE = sorted(name for name, command in COMMANDS.items() if not hasattr(command, "commands"))
# A reckoning, a watcher on another machine, and what goes by the setups in force alone, of one room or many.
WITHOUT_A_CONFIGURATION = {"soak", "heartbeat", "rejudge"}


def test_help_names_every_command(installed: Any) -> None:
    begin = time.perf_counter()
    result = installed("--help")
    print(f"stillroom --help took {time.perf_counter() - begin:.2f} s")
    listed = re.findall(r"^  ([a-z]+)  +\S", result.stdout.partition("\nBegin:")[2], re.MULTILINE)
    assert result.returncode == 0
    assert len(SINGLE) > 10
    assert len(listed) == len(set(listed))
    assert set(listed) == set(COMMANDS)


def test_no_help_page_cuts_the_sentence_of_a_command_off(stillroom: Any) -> None:
    groups = [name for name in COMMANDS if name not in SINGLE]
    pages = {"": stillroom("--help").stdout} | {name: stillroom(name, "--help").stdout for name in groups}
    assert len(pages) > 15
    for name, page in pages.items():
        assert not re.search(r"\.\.\.$", page.partition("Options:")[2], re.MULTILINE), name


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['stillroom', '--help']\n"
        "from logger.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "print('LOADED', *sorted({m.partition('.')[0] for m in sys.modules}))"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(result.stdout.rpartition("LOADED")[2].split())
    assert "typer" in loaded
    assert not loaded & HEAVY


@pytest.mark.parametrize("command", SINGLE)
def test_every_command_teaches_by_an_example_or_says_its_exit_codes(stillroom: Any, command: str) -> None:
    words = stillroom(command, "--help").stdout
    assert re.search(r"^ +Examples?:", words, re.MULTILINE) or "Exits with" in words
    assert command in WITHOUT_A_CONFIGURATION or ("--data" in words and "--config" in words)


def test_the_version_is_that_of_the_package(installed: Any) -> None:
    assert installed("--version").stdout.strip() == f"stillroom {__version__}"


def test_without_a_command_the_front_page_is_shown(installed: Any) -> None:
    result = installed()
    assert result.returncode == 2
    assert "stillroom demo" in result.stdout + result.stderr


def test_a_package_of_the_same_name_from_elsewhere_is_refused(tmp_path: Path) -> None:
    stranger = ModuleSpec("dashboard", None, origin=str(tmp_path / "dashboard" / "__init__.py"))
    ours = Path(sys.modules["logger"].__file__ or "")

    def find(name: str) -> ModuleSpec | None:
        return stranger if name == "dashboard" else ModuleSpec("logger", None, origin=str(ours))

    with pytest.raises(Refused, match=r"'dashboard' leads to .* in place of .*environment of its own"):
        refuse_strangers(find)


def test_our_own_packages_are_accepted() -> None:
    refuse_strangers()
    assert "logger" in sys.modules


@pytest.mark.slow
def test_a_taken_port_is_said_before_anything_is_made(installed: Any, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        result = installed("demo", "--no-browser", "--port", port, "--data", tmp_path / "demo")
    assert result.returncode == 2
    assert f"Port {port} on 127.0.0.1 is taken" in result.stderr
    assert "--port" in result.stderr
    assert not (tmp_path / "demo").exists()


@pytest.mark.slow
def test_a_second_demo_start_imports_nothing_twice(installed: Any, demo_copy: Path) -> None:
    result = installed("demo", "--history-only", "--data", demo_copy)
    assert result.returncode == 0
    assert "Imported" not in result.stdout
    text = installed("verify", "--data", demo_copy).stdout
    assert "262380 readings" in text
