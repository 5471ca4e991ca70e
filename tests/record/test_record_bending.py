"""A limit of bending in µm goes from its key to the check, the state at a time and the paper."""

from __future__ import annotations

import pytest

from logger.acts.inspections import apply_setup
from logger.config import load_texts
from logger.instants import parse
from logger.record.at_instant import state_at
from logger.record.facts import record_facts
from logger.record.interval import Interval
from logger.record.section_words import limits
from logger.verdicts.verdicts import Verdicts

from .conftest import VIENNA, Room

RULE = """
[rules.machine-bay.bending]
bending_um = 2.0
channels = ["P3.temperature", "P1.temperature"]
plate_length_mm = 1000.0
plate_thickness_mm = 150.0
plate_alpha_per_K = 6.5e-6
plate_u_alpha_per_K = 0.4e-6
basis = "flatness of a plate by its certificate"
"""
SPAN = (parse("2026-10-20T10:00", VIENNA), parse("2026-10-20T11:00", VIENNA))


@pytest.mark.slow
def test_bending_is_judged_and_printed_in_um(room: Room) -> None:
    """The probe of the scale against the air, as if they were the faces of a plate; 5.417 µm a kelvin."""
    texts = dict(room.store.setups.versions()[-1].texts)
    texts["limits.toml"] += RULE
    apply_setup(room.store, texts, "Greta Holm", "a limit of bending", "Ines Faber", room.now_ns)
    setup = load_texts(texts, version=2).setup
    verdicts = Verdicts(room.store, setup)

    check = verdicts.check("machine-bay", *SPAN, room.now_ns)
    state = state_at(room.store, verdicts, "machine-bay", SPAN[0], room.now_ns)
    facts = record_facts(room.store, verdicts, setup, Interval("machine-bay", *SPAN, room.now_ns))

    (row,) = [r for r in state["limits"] if r["rule"] == "machine-bay.bending"]
    by_probe = {r["channel"]: r["corrected"] for r in state["readings"]}
    apart = by_probe["P3.temperature"] - by_probe["P1.temperature"]
    assert (row["unit"], row["upper"], row["name"]) == ("um", 2.0, "bending of the plate")
    assert abs(row["value"] - 5.417 * apart) < 0.05  # the cell has the mean of its minute
    assert any(r.rule == "machine-bay.bending" for r in check.rules)
    printed = next(r for r in limits(facts, VIENNA)["rows"] if "bending" in str(r))
    assert "µm" in str(printed)
    assert "L = 1000 mm, h = 150 mm, α = (6.5 ± 0.8) × 10⁻⁶ K⁻¹" in str(printed)
