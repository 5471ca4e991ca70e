"""Records, exports and packages for people who read °F: differences stay differences, quotations as written.

20 °C is 68 °F and a difference of 1 K one of 1.8 °F: the definition of the degree Fahrenheit, as in NIST
SP 811 (2008), B.8; 33.8 is what comes out where a difference takes the zero point along.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from logger.instants import parse
from logger.package import pack
from logger.record.draft import draft
from logger.record.export import export
from logger.record.facts import record_facts
from logger.record.figure import figure
from logger.record.interval import Interval
from logger.record.words import page
from logger.record.zone_readings import read_zone

from .conftest import DAY, VIENNA, Room, tool

HEAD = {
    "number": 1, "issued_at": "2026-10-20T06:00:00Z", "by": "Greta Holm", "proven": True, "replaces": None,
    "why": "", "signed_by": "",
}  # fmt: skip


def words_of(room: Room, unit: dict[str, str]) -> dict[str, Any]:
    span = Interval("machine-bay", *DAY, room.now_ns)
    facts = record_facts(room.store, room.verdicts, room.setup, span, draft=True)
    return page(facts | unit | {"issue": HEAD, "readings": {"rows": 0, "sha256": ""}})


@pytest.mark.slow
def test_a_page_in_fahrenheit_has_values_with_and_differences_without_the_zero_point(room: Room) -> None:
    """The same facts printed twice: every number of the tables follows by hand."""
    celsius, fahrenheit = words_of(room, {}), words_of(room, {"temperatures": "degF"})
    (limits_c, read_c), (limits_f, read_f) = (w["first"] for w in (celsius, fahrenheit))
    by_rule = {row[0]: row for row in limits_f["rows"]}

    assert by_rule["temperature"][2:4] == ["67.1 to 68.9", "°F"]  # 19.5 to 20.5 °C
    assert by_rule["span in 24 h"][2:4] == ["at most 1.8", "°F"]  # 1 K
    assert by_rule["gradient along the pair"][2:4] == ["at most 0.45", "°F/m"]  # 0.25 K/m
    assert [row[-1] for row in limits_c["rows"]] == [row[-1] for row in limits_f["rows"]]  # the basis
    assert "20 °C ± 0.5 K" in by_rule["temperature"][-1]
    rows = zip(read_c["rows"], read_f["rows"], strict=True)
    for cold, warm in rows:
        if cold[5] != "°C":
            assert cold == warm
            continue
        for place, zero in ((1, 32.0), (2, 32.0), (3, 32.0), (4, 0.0)):
            assert abs(float(warm[place]) - (1.8 * float(cold[place]) + zero)) < 0.02
    assert "33.8" not in json.dumps(fahrenheit["first"])
    assert [["Temperatures", row] for key, row in fahrenheit["heads"] if key == "Temperatures"]
    assert "1 K is 1.8 °F" in dict(fahrenheit["heads"])["Temperatures"]


def test_the_axis_of_the_chart_is_in_fahrenheit(room: Room) -> None:
    span = Interval("machine-bay", *DAY, room.now_ns)
    periods = room.verdicts.periods("machine-bay", *DAY, room.now_ns)
    stored = read_zone(room.store, room.setup, "machine-bay", *DAY)
    svg = figure(stored, room.setup, periods, span, temperatures="degF")

    assert "°F, corrected" in svg
    assert "°C" not in svg


@pytest.mark.slow
def test_a_draft_for_readers_of_fahrenheit_says_so_and_attaches_celsius(room: Room, tmp_path: Path) -> None:
    span = Interval("machine-bay", *DAY, room.now_ns)
    pdf = tmp_path / "draft.pdf"
    pdf.write_bytes(draft(room.store, room.verdicts, room.setup, span, "Greta Holm", temperatures="degF"))
    _, text = tool("pdftotext", "-layout", pdf, "-")

    assert "67.1 to 68.9" in text
    assert "1 K is 1.8 °F" in " ".join(text.split())


def test_an_export_has_a_column_beside_what_came(room: Room, tmp_path: Path) -> None:
    span = (parse("2026-10-20T10:00", VIENNA), parse("2026-10-20T10:30", VIENNA))
    export(room.store, room.setup, span, tmp_path / "f", room.now_ns, temperatures="degF")
    texts = [
        (tmp_path / f"f/readings/P1.{name}.csv").read_text("utf-8")
        for name in ("temperature", "relative_humidity")
    ]
    rows, damp = (list(csv.DictReader(io.StringIO(text))) for text in texts)

    assert rows
    assert all(abs(float(r["value_degF"]) - (1.8 * float(r["value"]) + 32)) < 1e-6 for r in rows)
    assert {r["unit"] for r in rows} == {"degC"}
    assert {r["value_degF"] for r in damp} == {""}
    assert "value_degF" in (tmp_path / "f/README.txt").read_text("utf-8")


@pytest.mark.slow
def test_the_first_page_of_a_package_is_in_fahrenheit(room: Room, tmp_path: Path) -> None:
    """The excursion of the temperature against 20.5 °C stands there as one against 68.9 °F."""
    out = tmp_path / "audit"
    pack(room.store, room.verdicts, DAY, out, "Greta Holm", room.now_ns, temperatures="degF")
    html = (out / "data/index.html").read_text("utf-8")

    assert ">68.90<" in html
    assert ">°F<" in html
    assert ">20.50<" not in html
