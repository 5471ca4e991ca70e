"""Programs of our own that are started beside this one."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

import logger
from logger.processes.child_limits import ChildLimits
from logger.processes.children import module
from logger.processes.confined import run_confined


@pytest.mark.slow
def test_a_file_called_logger_in_the_starting_folder_does_not_hide_the_package(tmp_path: Path) -> None:
    """The pages and the probes of a demonstration come up wherever it is started."""
    (tmp_path / "logger.py").write_text("raise SystemExit('the wrong logger')\n", encoding="utf-8")
    command = module("logger.cli", "serve", "--help")
    outcome = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=600)
    assert (outcome.returncode, outcome.stderr) == (0, "")
    assert "stillroom serve" in outcome.stdout


def test_the_child_reads_a_relative_path_from_where_its_parent_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It serves one call after the other, and started where the first one was made."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "bench.csv").write_text(name, encoding="utf-8")
        monkeypatch.chdir(tmp_path / name)
        limits = ChildLimits.for_size(3)
        assert run_confined("bench.csv", limits, Path.read_text, Path("bench.csv"), "utf-8") == name


def test_no_program_of_ours_is_started_in_another_way() -> None:
    """`-m` without `-P` looks into the current folder first."""
    sources = [
        *Path(logger.__file__).parent.rglob("*.py"),
        *Path(logger.__file__).parents[1].glob("dashboard/**/*.py"),
    ]
    started = [path.name for path in sources if re.search(r'executable, "-m"', path.read_text("utf-8"))]
    assert started == []
