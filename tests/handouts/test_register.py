"""The register as PDF, CSV and JSON: every column that is asked for, the same in each."""

from __future__ import annotations

import csv
import io
import json
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logger.config import example_folder, load, load_texts, read_texts
from logger.handouts.probe_register import COLUMNS, register_csv, register_pdf, register_rows
from logger.instants import to_ns
from logger.model import Setup
from tests.command_line import Run
from tests.programs import program

NOW = to_ns(datetime(2026, 11, 10, 12, tzinfo=UTC))


@pytest.fixture
def setup() -> Setup:
    return load(example_folder()).setup


def test_every_entry_has_what_the_standard_asks_for(setup: Setup) -> None:
    """ISO/IEC 17025:2017, 6.4.13 (from memory): identity, firmware, verification, position, dates, results,
    due day. Values of P1 are those of config/.
    """
    rows = {row["channel"]: row for row in register_rows(setup, NOW)}
    p1 = rows["P1.temperature"]

    assert set(p1) == set(COLUMNS)
    assert (p1["serial"], p1["range"], p1["used_range"], p1["resolution"]) == (
        "AG-0411",
        "-40 to 60",
        "10 to 35",
        0.01,
    )
    assert (p1["certificate"], p1["due"], p1["k"]) == ("AG-0411-T", "2027-09-08", 2.0)
    assert p1["position"] == "Bridge table"
    assert "at 20" in p1["errors"]
    assert "valid certificate" in rows["P6.temperature"]["missing"]


def test_firmware_comes_from_the_setup() -> None:
    texts = dict(read_texts(example_folder()))
    serial = 'serial = "AG-0411"'
    changed = serial + chr(10) + 'firmware = "2.14"'
    texts["probes.toml"] = texts["probes.toml"].replace(serial, changed, 1)
    rows = {row["channel"]: row for row in register_rows(load_texts(texts).setup, NOW)}

    assert rows["P1.temperature"]["firmware"] == "2.14"
    assert rows["P2.temperature"]["firmware"] is None


def test_pdf_and_csv_say_the_same(setup: Setup, tmp_path: Path) -> None:
    (tmp_path / "r.pdf").write_bytes(register_pdf(setup, NOW, simulated=True))
    call = [program("pdftotext"), "-layout", str(tmp_path / "r.pdf"), "-"]
    text = subprocess.run(call, capture_output=True, text=True, check=True).stdout
    listed = list(csv.DictReader(io.StringIO(register_csv(setup, NOW).decode())))

    assert len(listed) == len(setup.channels)
    for row in listed:
        for name in ("serial", "certificate", "due", "calibrated_on"):
            assert row[name] in text, (row["channel"], name)
    assert "SIMULATED" in text
    assert "P1 temperature" in text
    assert "P1.temperature" not in text
    assert "relative_humidity" not in text
    assert f"{len(listed)} channels, 2 of them not complete." in text


def test_a_description_that_would_run_as_a_formula_stays_a_text(setup: Setup) -> None:
    probe = replace(setup.probes["P1"], description="=cmd|' /C calc'!A0")
    changed = replace(setup, probes={**setup.probes, "P1": probe})
    listed = list(csv.DictReader(io.StringIO(register_csv(changed, NOW).decode())))

    assert listed[0]["description"].startswith("'=")
    assert listed[0]["range"] == "-40 to 60"  # a number below zero is none


def test_the_commands(demo_history: Path, stillroom: Run, tmp_path: Path) -> None:
    result = stillroom("probe", "register", "--out", tmp_path / "r.csv", "--data", demo_history)
    assert (result.returncode, "channels in" in result.stdout) == (0, True), result.stderr
    refused = stillroom("probe", "register", "--out", tmp_path / "r.doc", "--data", demo_history)
    assert (refused.returncode, "ends in .pdf or .csv, found 'r.doc'" in refused.stderr) == (2, True)
    (first, *_) = json.loads(stillroom("probe", "list", "--json", "--data", demo_history).stdout)
    assert (first["range"], first["resolution"], first["firmware"]) == ([-40.0, 60.0], 0.01, None)


def test_the_paper_names_the_unit_of_every_figure(setup: Setup, tmp_path: Path) -> None:
    """P1 of config/: range −40 to 60 °C, resolution 0.01 K, four points with U 0.06 K, said once."""
    path = tmp_path / "register.pdf"
    path.write_bytes(register_pdf(setup, NOW, simulated=False))

    command = [program("pdftotext"), "-layout", str(path), "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout

    for words in ("−40 to 60 °C", "0.01 K", "0.06 K (k = 2)", "0.1 % RH", "−0.03 at 14.97"):
        assert words in text
    assert " -" not in text
