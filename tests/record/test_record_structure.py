"""The structure of a printed record, by two readers of other makers: pikepdf (qpdf) and pdfminer.six.

What they are asked is stated by ISO 19005-3 (PDF/A-3a), ISO 14289-1 (PDF/UA-1) and ISO 32000-1; clauses from
memory.
A validator of another make judges whole papers besides: test_paper_standards.py.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from tests.programs import library

from .conftest import Room

pikepdf = library("pikepdf")
library("pdfminer")


@pytest.fixture
def files(room: Room, tmp_path: Path) -> Path:
    room.issue(tmp_path / "out")
    return tmp_path / "out"


def the_pdf(folder: Path) -> Path:
    return next(folder.glob("*.pdf"))


@pytest.mark.slow
def test_qpdf_reads_it_as_tagged_titled_and_of_both_standards(files: Path) -> None:
    """ISO 14289-1, 7.1 (marked, structure, title shown), 7.2 (language); XMP names part and conformance."""
    with pikepdf.open(the_pdf(files)) as pdf:
        root = pdf.Root
        assert bool(root.MarkInfo.Marked)
        assert str(root.Lang).startswith("en")
        assert bool(root.ViewerPreferences.DisplayDocTitle)
        assert "/StructTreeRoot" in root
        assert not pdf.is_encrypted
        with pdf.open_metadata() as xmp:
            assert (xmp["pdfaid:part"], xmp["pdfaid:conformance"], xmp["pdfuaid:part"]) == ("3", "A", "1")
            assert "Record of conditions" in xmp["dc:title"]
        assert pdf.check_pdf_syntax() == []


def elements(node: Any, kind: str) -> list[Any]:
    """Structure elements of a kind, anywhere below a node."""
    below: list[Any] = []
    stack = [node]
    while stack:
        at = stack.pop()
        if isinstance(at, pikepdf.Array):
            stack += list(at)
        elif isinstance(at, pikepdf.Dictionary):
            if at.get("/S") == f"/{kind}":
                below.append(at)
            if "/K" in at:
                stack.append(at.K)
    return below


@pytest.mark.slow
def test_every_table_has_heads_and_every_figure_a_text(files: Path) -> None:
    """ISO 14289-1, 7.3 (figures have an alternative text) and 7.5 (tables have headers); 7.4 (headings)."""
    with pikepdf.open(the_pdf(files)) as pdf:
        root = pdf.Root.StructTreeRoot
        figures = elements(root, "Figure")
        assert len(figures) > 3
        assert all(str(figure.get("/Alt", "")).strip() for figure in figures)
        assert len(elements(root, "TH")) > 30
        assert all(elements(result, "TH") for result in elements(root, "Table"))
        assert len(elements(root, "H1")) == 1
        assert len(elements(root, "H2")) >= 10


@pytest.mark.slow
def test_all_fonts_are_inside_and_every_page_keeps_the_tab_order(files: Path) -> None:
    """ISO 19005-3, 6.2.11.4.1 (fonts embedded); ISO 14289-1, 7.21.4.1 and 7.18.3."""
    with pikepdf.open(the_pdf(files)) as pdf:
        names = set()
        for obj in pdf.objects:
            if isinstance(obj, pikepdf.Dictionary) and obj.get("/Type") == "/FontDescriptor":
                names.add(str(obj.FontName))
                assert any(key in obj for key in ("/FontFile", "/FontFile2", "/FontFile3")), obj.FontName
        assert names


@pytest.mark.slow
def test_the_attached_files_are_those_beside_it(files: Path) -> None:
    """ISO 19005-3, 6.8 and annex E: each has an AFRelationship and a type, and the catalog lists it in AF."""
    with pikepdf.open(the_pdf(files)) as pdf:
        associated = {str(spec.UF): str(spec.AFRelationship) for spec in pdf.Root.AF}
        assert set(associated.values()) == {"/Data"}
        inside = {name: pdf.attachments[name].get_file() for name in associated}
        assert all(file.mime_type in ("text/csv", "application/json") for file in inside.values())
        digests = {name: hashlib.sha256(file.read_bytes()).hexdigest() for name, file in inside.items()}
    stem = the_pdf(files).stem
    for name, digest in digests.items():
        beside = files / (f"{stem}.json" if name == "record.json" else f"{stem}-{name}")
        assert hashlib.sha256(beside.read_bytes()).hexdigest() == digest, name
    assert {"readings.csv", "record.json", "periods.csv", "cases.csv", "acts.csv"} <= set(digests)


@pytest.mark.slow
def test_pdfminer_reads_the_words_and_the_tags(files: Path) -> None:
    """The same file in a reader written in Python alone: text in order, catalog, marked content."""
    from pdfminer.high_level import extract_text
    from pdfminer.pdfdocument import PDFDocument
    from pdfminer.pdfpage import PDFPage
    from pdfminer.pdfparser import PDFParser
    from pdfminer.pdftypes import resolve1

    facts = json.loads(the_pdf(files).with_suffix(".json").read_text("utf-8"))
    with the_pdf(files).open("rb") as file:
        document = PDFDocument(PDFParser(file))
        catalog = document.catalog
        assert resolve1(catalog["MarkInfo"])["Marked"] is True
        assert len(list(PDFPage.create_pages(document))) <= 5
    words = " ".join(extract_text(the_pdf(files)).split())
    for expected in ("Machine bay was stable for", "What the words mean", "Mon 10-19", "SIMULATED"):
        assert expected in words
    assert facts["digest"] in words.replace(" ", "")
