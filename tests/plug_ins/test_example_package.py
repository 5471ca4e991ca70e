"""The package of docs/how-to/write-a-driver.md: built, installed, tested by its own tests, and polled."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from tests.programs import skip_without

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "examples" / "bath-thermometer"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the built package lies, with its tests beside it, as a lab would have it."""
    if int(version("setuptools").partition(".")[0]) < 77:
        skip_without("setuptools 77 or later is not installed")
    place = tmp_path_factory.mktemp("bath")
    shutil.copytree(
        EXAMPLE, place / "source", ignore=shutil.ignore_patterns("__pycache__", "build", "*.egg-info")
    )
    pip = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--quiet",
        "--no-deps",
        "--no-index",
        "--no-build-isolation",
    ]
    result = subprocess.run(
        [*pip, "--target", str(place / "installed"), str(place / "source")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert result.returncode == 0, result.stderr
    shutil.copy(EXAMPLE / "test_lab_bath.py", place / "installed")
    return place / "installed"


def run(folder: Path, *arguments: str) -> str:
    paths = os.pathsep.join((str(folder), str(ROOT)))
    result = subprocess.run(
        [sys.executable, *arguments], cwd=folder, env=os.environ | {"PYTHONPATH": paths},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout


@pytest.mark.slow
def test_it_passes_the_tests_that_every_driver_must_pass(folder: Path) -> None:
    plain = ("-p", "no:cacheprovider", "-p", "no:dash", "-p", "no:xdist", "-c", os.devnull, "-W", "error")
    output = run(folder, "-m", "pytest", "-q", *plain, "--rootdir", str(folder), "test_lab_bath.py")
    assert "14 passed, 1 skipped" in output  # no other probe shares its wire


@pytest.mark.slow
def test_it_is_polled_by_our_bus_named_by_the_setup_and_tried_by_its_table(folder: Path) -> None:
    rows, plug_ins, shown = json.loads(
        run(folder, str(ROOT / "tests" / "plug_ins" / "poll_bath.py")).splitlines()[-1]
    )
    assert rows == [["P2.temperature", 20.031, "ok"]]
    assert 'package = "lab-bath"\nversion = "1.0"\n' in plug_ins
    assert shown == 3 * ["  N1.temperature = 20.031 (ok: 20.031 C)"]


def test_the_page_shows_the_package_as_it_is() -> None:
    """And the driver has no more lines than a person reads at once."""
    page = (ROOT / "docs" / "how-to" / "write-a-driver.md").read_text("utf-8")
    for name in ("pyproject.toml", "lab_bath.py", "test_lab_bath.py"):
        text = (EXAMPLE / name).read_text("utf-8")
        assert f"\n{text}```\n" in page, f"docs/how-to/write-a-driver.md shows another {name}"
    assert len((EXAMPLE / "lab_bath.py").read_text("utf-8").splitlines()) <= 60
