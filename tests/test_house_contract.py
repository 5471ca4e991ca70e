"""The import contract notices a breach of each of its parts: planted all at once in a copy."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# Contract, file that is planted, and the import in it that the contract forbids.
BREACHES = (
    ("floors of logger", "logger/model/planted.py", "from logger.service import jobs"),
    ("floors of the core", "logger/core/physics/planted.py", "from logger.core.judge import days"),
    ("floors of the store", "logger/store/hot/planted.py", "from logger.store.backup import backup"),
    ("floors of the dashboard", "dashboard/data/planted.py", "from dashboard.pages import now"),
    ("logger knows no web page", "logger/api/planted.py", "from dashboard import shell"),
    ("the core is pure: no clock, disk, wire, log", "logger/core/rules/planted.py", "import socket"),
    ("no circle among neighbours", "logger/formats/planted.py", "from . import planted_back"),
    ("no circle among neighbours", "logger/formats/planted_back.py", "from . import planted"),
    (
        "public is imported as stillroom alone, so that it never loads under two names",
        "logger/cli/planted.py",
        "from logger import public",
    ),
    ("floors of logger", "logger/planted/__init__.py", ""),  # a folder that is on no line
)


@pytest.fixture(scope="module")
def verdict(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the contract says of the copy with every breach in it."""
    copy = tmp_path_factory.mktemp("planted")
    for package in ("logger", "dashboard"):
        skip = shutil.ignore_patterns("__pycache__", "assets")
        shutil.copytree(ROOT / package, copy / package, ignore=skip)
    shutil.copy(ROOT / "pyproject.toml", copy)
    for _, file, line in BREACHES:
        (copy / file).parent.mkdir(exist_ok=True)
        (copy / file).write_text(f'"""Planted."""\n\n{line}\n', encoding="utf-8")
    code = "from importlinter.cli import lint_imports_command as run; raise SystemExit(run(['--no-cache']))"
    result = subprocess.run(
        [sys.executable, "-c", code],
        cwd=copy,
        env={**os.environ, "PYTHONPATH": str(copy), "COLUMNS": "200", "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 1, result.stdout + result.stderr
    return result.stdout


@pytest.mark.slow
@pytest.mark.parametrize("contract", dict.fromkeys(name for name, _, _ in BREACHES))
def test_a_breach_of_each_contract_is_noticed(verdict: str, contract: str) -> None:
    assert f"{contract} BROKEN" in verdict


def test_each_planted_file_is_named(verdict: str) -> None:
    """The sentence leads to the file, also to a folder that is on no line of the map."""
    files = [file.removesuffix(".py").removesuffix("/__init__") for _, file, _ in BREACHES]
    modules = [file.replace("/", ".") for file in files]
    assert [m for m in modules if "logger.formats" not in m and m not in verdict] == []
    assert "No cycles are allowed in logger.formats." in verdict
    assert ".planted" in verdict.partition("No cycles are allowed in logger.formats.")[2][:200]


def test_every_contract_has_a_breach_here() -> None:
    """A contract that is added to pyproject.toml gets one."""
    text = (ROOT / "pyproject.toml").read_text("utf-8").partition("[[tool.importlinter.contracts]]")[2]
    named = {line.partition('"')[2].rstrip('"') for line in text.splitlines() if line.startswith("name = ")}
    assert named == {name for name, _, _ in BREACHES}
