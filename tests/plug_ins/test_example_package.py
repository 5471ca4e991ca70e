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
POLL = """
import json, sys, time
from dataclasses import replace
from pathlib import Path
sys.path.insert(0, {folder!r})
from test_lab_bath import Bath
from logger import config
from logger.probes import buses
texts = config.read_texts(config.example_folder())
bath = Bath()
bath.serial = "AG-0412"
table = f'kind = "bath"\ngateway = "127.0.0.1:{{bath.port}}"\naddress = 12\ntimeout_s = 30.0\n'
before, begin, after = texts["probes.toml"].partition("[probes.P2.connection]\n")
probes = before + begin + table + after[after.index("\n[probes.P3]"):]
made = config.load_texts(texts | {{"probes.toml": probes}})
(line,) = [replace(line, interval_s=0.2) for line in made.lines if line.probe == "P2"]
rows = []
(bus,) = buses([line], rows.extend, print)
bus.start()
until_s = time.monotonic() + 60
while len(rows) < 3 and time.monotonic() < until_s:
    time.sleep(0.02)
bus.stop(60)
Path("bath.toml").write_text('[probes.N1]\\nserial = "AG-0701"\\n[probes.N1.connection]\\n' + table)
from logger.probes.table_trial import try_table
shown = try_table(Path("bath.toml")).shown
print(json.dumps([sorted({{(r.channel, r.value, r.status) for r in rows}}), made.texts["plug-ins.toml"], shown]))
"""


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
    done = subprocess.run(
        [*pip, "--target", str(place / "installed"), str(place / "source")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    shutil.copy(EXAMPLE / "test_lab_bath.py", place / "installed")
    return place / "installed"


def run(folder: Path, *arguments: str) -> str:
    paths = os.pathsep.join((str(folder), str(ROOT)))
    done = subprocess.run(
        [sys.executable, *arguments], cwd=folder, env=os.environ | {"PYTHONPATH": paths},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_it_passes_the_tests_that_every_driver_must_pass(folder: Path) -> None:
    plain = ("-p", "no:cacheprovider", "-p", "no:dash", "-p", "no:xdist", "-c", os.devnull, "-W", "error")
    said = run(folder, "-m", "pytest", "-q", *plain, "--rootdir", str(folder), "test_lab_bath.py")
    assert "13 passed, 1 skipped" in said  # no other probe shares its wire


def test_it_is_polled_by_our_bus_named_by_the_setup_and_tried_by_its_table(folder: Path) -> None:
    rows, plug_ins, shown = json.loads(run(folder, "-c", POLL.format(folder=str(folder))).splitlines()[-1])
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
