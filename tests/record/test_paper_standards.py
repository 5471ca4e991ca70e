"""Papers before a validator of another make: PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1)."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.config import example_folder, load
from logger.handouts.door_notice import door_notice
from logger.handouts.labels import chosen_labels, labels_pdf
from logger.inspections.cases import all_cases
from logger.record.case_sheet import case_sheet
from tests.programs import library

from .conftest import Room

page = library("page", "install page-validation")
pikepdf = library("pikepdf")
BOTH = (page.ValidationProfile.PDF_A_3A, page.ValidationProfile.PDF_UA_1)


def faults(content: bytes) -> set[str]:
    """What the validator names, by both standards."""
    reports = [page.validate_pdf_bytes(content, profile=profile) for profile in BOTH]
    return {failure.rule_id for report in reports for failure in report.failures}


@pytest.mark.slow
def test_a_record_conforms_and_what_is_taken_out_of_it_is_named(room: Room, tmp_path: Path) -> None:
    """Without the last part nobody would know that the validator looks."""
    room.issue(tmp_path / "out")
    content = next((tmp_path / "out").glob("*.pdf")).read_bytes()

    assert faults(content) == set()
    assert any("ALT" in rule for rule in faults(changed(content, without_alternative_text)))
    assert any("LANGUAGE" in rule for rule in faults(changed(content, without_language)))
    assert any("FONT-EMBEDDING" in rule for rule in faults(changed(content, without_fonts)))
    assert any("ASSOCIATION" in rule for rule in faults(changed(content, without_associated_files)))


def test_a_case_sheet_labels_and_the_door_notice_conform(room: Room) -> None:
    (case,) = all_cases(room.verdicts, room.now_ns)
    labels = chosen_labels(room.setup, [], room.now_ns)

    assert faults(case_sheet(room.verdicts, case, room.now_ns)) == set()
    assert faults(labels_pdf(labels, room.setup, "room-east.example", room.now_ns)) == set()
    config = load(example_folder())
    notice = door_notice(config, list(config.setup.zones), "room-east.example", room.now_ns, simulated=True)
    assert faults(notice) == set()


def changed(content: bytes, change: Callable[[Any], None]) -> bytes:
    with pikepdf.open(io.BytesIO(content)) as pdf:
        change(pdf)
        out = io.BytesIO()
        pdf.save(out)
    return out.getvalue()


def dictionaries(pdf: Any, key: str, value: str) -> list[Any]:
    return [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get(key) == value]


def without_alternative_text(pdf: Any) -> None:
    del next(o for o in dictionaries(pdf, "/S", "/Figure") if "/Alt" in o)["/Alt"]


def without_language(pdf: Any) -> None:
    del pdf.Root["/Lang"]


def without_fonts(pdf: Any) -> None:
    for descriptor in dictionaries(pdf, "/Type", "/FontDescriptor"):
        for key in ("/FontFile", "/FontFile2", "/FontFile3"):
            if key in descriptor:
                del descriptor[key]


def without_associated_files(pdf: Any) -> None:
    del pdf.Root["/AF"]
