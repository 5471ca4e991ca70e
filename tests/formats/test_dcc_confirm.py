"""`stillroom confirm`: the table as it would be applied, and the original's bytes that come back."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from logger import config
from tests.formats import certificates


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "MADE.xml"
    path.write_bytes(certificates.certificate(signed=True).replace(b"\n", b"\r\n"))
    return path


@pytest.mark.slow
def test_the_table_is_shown_with_a_worked_point(stillroom: Any, file: Path) -> None:
    outcome = stillroom("confirm", file)
    assert outcome.returncode == 0, outcome.stderr
    assert "indicates 19.7 -> corrected 20.1 degC" in outcome.stdout
    assert "indicates 69.1 -> corrected 70 %RH" in outcome.stdout
    assert "signature present, not verified" in outcome.stdout
    assert "AG-0411, INV-17" in outcome.stdout
    assert hashlib.sha256(file.read_bytes()).hexdigest() in outcome.stdout


def test_the_same_for_programs(stillroom: Any, file: Path) -> None:
    output = json.loads(stillroom("confirm", file, "--json").stdout)
    assert (output["number"], output["due_on"], output["signed"]) == ("MADE-0411", "2027-09-08", True)
    assert output["tables"][0]["points"][1] == {
        "reference": 20.1, "indication": 19.7, "correction": 0.4, "U": 0.06, "merged": 1
    }  # fmt: skip


@pytest.mark.parametrize("content", [b"", b"%PDF-1.7", b"<!DOCTYPE a [<!ENTITY b 'c'>]><a/>"])
def test_what_is_no_certificate_exits_with_2(stillroom: Any, tmp_path: Path, content: bytes) -> None:
    bad = tmp_path / "bad.xml"
    bad.write_bytes(content)
    outcome = stillroom("confirm", bad)
    assert outcome.returncode == 2
    assert "expected a Digital Calibration Certificate" in outcome.stderr
    assert "Traceback" not in outcome.stderr


def test_a_file_that_is_not_there_exits_with_2(stillroom: Any, tmp_path: Path) -> None:
    outcome = stillroom("confirm", tmp_path / "none.xml")
    assert outcome.returncode == 2
    assert "cannot be read" in outcome.stderr


def test_check_apply_and_export_give_back_the_original(stillroom: Any, file: Path, tmp_path: Path) -> None:
    """From the folder into the store and out again: the very bytes, so that a signature still holds."""
    folder, data, out = tmp_path / "config", tmp_path / "data", tmp_path / "out"
    for name, text in config.read_texts(config.example_folder()).items():
        if not name.startswith("certificates/AG-0411"):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    original = file.read_bytes()
    (folder / "certificates" / "MADE.xml").write_bytes(original)
    use = "".join(
        f'[[use]]\nchannel = "P1.{of}"\nvalid_from = 2026-10-01\n'
        for of in ("temperature", "relative_humidity")
    )
    head = f'dcc = "MADE.xml"\nsha256 = "{hashlib.sha256(original).hexdigest()}"\n'
    (folder / "certificates" / "MADE.toml").write_text(head + use, encoding="utf-8")
    checked = stillroom("config", "check", "--config", folder)
    assert checked.returncode == 0, checked.stderr
    applied = stillroom(
        "config", "apply", "--begin", "--config", folder, "--data", data, "--who", "Greta Holm"
    )
    assert applied.returncode == 0, applied.stderr
    exported = stillroom("config", "export", "--data", data, "--out", out)
    assert exported.returncode == 0, exported.stderr
    assert (out / "certificates" / "MADE.xml").read_bytes() == original
