"""Corrections and U worked out again from the printed line alone, with decimal arithmetic, as on paper."""

from __future__ import annotations

import json
import random
import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.core.calibration.apply import correct_readings
from logger.core.calibration.breakdown import correction_breakdown
from logger.core.calibration.trace import trace_text
from logger.model import AsFound, Certificate, Channel, Polynomial
from logger.record.words import page
from tests.command_line import run_here

from .conftest import Room

DAY_NS = 86_400 * 10**9
NUMBER = r"[+−]?\d+\.\d+"
WITHIN = Decimal("0.001")


def worked_out_again(line: str) -> tuple[Decimal, Decimal, Decimal, Decimal]:
    """Correction as printed and as its parts add up; U as printed and as 2·√ of its squares."""
    correction, _, U = line.rpartition("; ")
    total, parts = correction.split(" = ", 1)
    summands = re.findall(r"(?:(?<=^)|(?<= ))([+−]) ?(\d+\.\d+) \(", parts)
    added = sum((Decimal(sign.replace("−", "-") + digits) for sign, digits in summands), Decimal(0))
    squares = [Decimal(u) ** 2 for u in re.findall(r"(\d+\.\d+)² ", U)]
    printed_total = Decimal(re.findall(NUMBER, total)[-1].replace("−", "-"))
    printed_U = Decimal(re.findall(rf"U ({NUMBER})", U)[0])
    assert summands, line
    assert squares, line
    return printed_total, added, printed_U, 2 * sum(squares).sqrt()


def invented(draw: random.Random) -> tuple[Channel, tuple[Certificate, ...], int, float]:
    """A channel, its certificates, an instant and an indication, anywhere in what can be entered."""
    unit, low, high = draw.choice([("degC", 10.0, 30.0), ("%RH", 20.0, 80.0), ("hPa", 900.0, 1050.0)])
    quantity = {"degC": "temperature", "%RH": "relative_humidity", "hPa": "pressure"}[unit]
    points = sorted(draw.uniform(low, high) for _ in range(draw.randint(1, 5)))
    channel = Channel("T1.x", "T1", quantity, unit, 60, 180, draw.choice([0, 0.01, 0.1]),
                      draw.uniform(0, 0.05), (-1e4, 1e4))  # fmt: skip
    first = Certificate(
        "K-24", "T1.x", "", "", "2026-01-01", 0, None, tuple(points),
        tuple(draw.uniform(-0.5, 0.5) for _ in points), tuple(draw.uniform(0.01, 0.4) for _ in points),
        draw.choice([2.0, 2.13, 1.96]), (low, high), drift=draw.uniform(0, 0.3), other_u=draw.uniform(0, 0.1),
        calibrated_ns=0,
    )  # fmt: skip
    if len(points) > 2 and draw.random() < 0.3:
        curve = tuple(draw.uniform(-0.1, 0.1) for _ in range(3))
        first = replace(first, polynomial=Polynomial(curve, (low + high) / 2, (high - low) / 2))
    model = draw.choice(["", "linear", "step"])
    as_found = AsFound((points[0],), (draw.uniform(-0.5, 0.5),), model)  # type: ignore[arg-type]
    after = replace(
        first, number="K-25", valid_from_ns=175 * DAY_NS, calibrated_ns=175 * DAY_NS, as_found=as_found
    )
    return channel, (first, after), draw.randint(1, 174) * DAY_NS, draw.uniform(low, high)


def test_five_hundred_printed_lines_give_their_correction_and_U_again() -> None:
    """Points, polynomials, linear and step changes, three units: from the text alone within 0.001, and so
    does the reading that the judge used (JCGM 100, 5.1: 2·√Σu²).
    """
    draw = random.Random(2026)
    for _ in range(500):
        channel, papers, at_ns, indication = invented(draw)
        parts = correction_breakdown(channel, papers, at_ns, indication)
        assert parts is not None
        line = trace_text(parts.to_dict(), channel.unit)
        total, added, U, root = worked_out_again(line)
        assert abs(total - added) <= WITHIN, line
        assert abs(U - root) <= WITHIN, line
        plain = replace(channel, quantity="temperature", unit="degC")  # no conversion beside the correction
        judged = correct_readings(plain, papers, np.array([at_ns]), np.array([indication]))
        assert abs(Decimal(float(judged.value[0]) - indication) - total) <= WITHIN, line
        assert abs(Decimal(float(judged.U[0])) - U) <= WITHIN, line


def test_the_line_of_the_design_is_printed_so() -> None:
    """−0.010 by K-24; K-25 found 0.130 K more than K-24 left, linear, 162 of 175 days: −0.010 − 0.120."""
    channel = Channel("T1.temperature", "T1", "temperature", "degC", 60, 180, 0.0, 0.003, (-40, 60))
    first = Certificate("K-24", "T1.temperature", "", "", "2026-01-01", 0, None, (19.0, 21.0), (-0.01, -0.01),
                        (0.03, 0.03), 2.0, (15.0, 25.0), calibrated_ns=0)  # fmt: skip
    as_found = AsFound((20.0,), (0.14,), "linear")
    after = replace(
        first, number="K-25", valid_from_ns=175 * DAY_NS, calibrated_ns=175 * DAY_NS, as_found=as_found
    )
    parts = correction_breakdown(channel, (first, after), 162 * DAY_NS, 20.0)
    assert parts is not None
    assert trace_text(parts.to_dict(), "degC") == (
        "−0.130 K = −0.010 (K-24, between 19 and 21 °C) − 0.120 (K-25 found 0.130 K more than K-24 left; "
        "linear, 162.0 of 175.0 days); U 0.081 K = 2·√(0.0150² (K-24) + 0.0030² (noise) + "
        "0.0375² (as found by K-25, linear))"
    )


def lines_in(text: str) -> list[str]:
    return re.findall(r"[+−]\d+\.\d+ [^\s=]+(?: RH)? = [^√]*√\([^√]*?\)\)", " ".join(text.split()))


@pytest.mark.slow
def test_every_place_that_prints_a_correction_prints_one_line_for_all(
    room: Room, demo_copy: Path, tmp_path: Path
) -> None:
    """`record at`, its JSON, `probe list`, and the page of a record: the same words, each true."""
    at = run_here("record", "at", "2026-10-19T12:00", "--zone", "machine-bay", "--data", demo_copy)
    listed = run_here("probe", "list", "--at", "2026-10-19T12:00", "--data", demo_copy)
    assert (at.returncode, listed.returncode) == (0, 0)
    state = json.loads(
        run_here(
            "record", "at", "2026-10-19T12:00", "--zone", "machine-bay", "--data", demo_copy, "--json"
        ).stdout
    )
    in_json = [r["worked_out"]["text"] for r in state["readings"] if r["worked_out"]]
    room.issue(tmp_path / "out")
    facts: Any = json.loads(next((tmp_path / "out").glob("*.json")).read_text("utf-8"))
    probes = next(s for s in page(facts)["sections"] if s["title"].startswith("Probes"))
    notes = [row["note"] for row in probes["rows"] if isinstance(row, dict)]
    printed = {
        "at": lines_in(at.stdout),
        "list": lines_in(listed.stdout),
        "record": lines_in(" ".join(notes)),
    }
    assert {name: len(lines) for name, lines in printed.items()} == {"at": 7, "list": 13, "record": 7}
    assert [" ".join(line.split()) for line in in_json] == printed["at"]
    for line in (line for lines in printed.values() for line in lines):
        total, added, U, root = worked_out_again(line)
        assert abs(total - added) <= WITHIN
        assert abs(U - root) <= WITHIN
