"""What a notice says, word for word: it is read on a phone by somebody who must act."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.core.alarms.lifecycle import AlarmNotice, Cell
from logger.instants import NS
from logger.model import AlarmSpec, Conformity, Inspection, Setup
from logger.notify.text import wording

MINUTE = 60 * NS
AT = 1_792_377_600 * NS  # 2026-10-19T02:40:00Z, a Monday
SPEC = AlarmSpec(
    "bay-temperature", "bay.temperature", "high", "Lengths are wrong.", "Stop measuring; look at the door.",
    routes=("screen", "duty"),
)  # fmt: skip
CELL = Cell(AT - MINUTE, AT, Conformity.NONCONFORMING, 20.9, 0.07, -0.4, "degC", 20.5, "P1.temperature")
OUT = AlarmNotice("bay-temperature", 1, "annunciated", AT, AT - 5 * MINUTE, CELL, CELL)


def test_what_where_how_much_since_when_what_to_do(setup: Setup) -> None:
    """The whole notice of an excursion at one probe, with a job running."""
    job = Inspection("J-17", "bay", 0, None, "Gear housing", person="Radek Sova")

    words = wording(OUT, SPEC, "bay", setup, running=[job], simulated=True)

    assert words.subject == ("SIMULATED: Machine bay: temperature 20.90 °C, 0.40 K above the limit 20.50 °C")
    assert words.body.splitlines() == [
        "SIMULATED: Machine bay, Measuring room East",
        "Temperature 20.90 °C, 0.40 K above the limit 20.50 °C.",
        "Since 2026-10-19 04:35 +02:00 (5 min).",
        "At P1 (bridge table); U 0.07 K (k = 2).",
        "Action: Stop measuring; look at the door.",
        "Consequence: Lengths are wrong.",
        "Inspections running here: Gear housing (J-17, Radek Sova).",
        "Priority high. Acknowledge bay-temperature on page Now or by: "
        "stillroom alarm acknowledge bay-temperature",
    ]


def test_several_probes_and_a_value_that_is_not_proven(setup: Setup) -> None:
    """Both probes are named; 0.05 K beyond with U 0.07 K is no proof."""
    cell = replace(CELL, value=19.45, margin=-0.05, limit=19.5, probes=("P1.temperature", "P2.temperature"))

    words = wording(replace(OUT, cell=cell), SPEC, "bay", setup)

    assert words.subject == "Machine bay: temperature 19.45 °C, 0.05 K below the limit 19.50 °C"
    assert "At 2 probes: P1 (bridge table) and P2 (column top); U 0.07 K (k = 2)" in words.body
    assert "; not proven (exceeds the limit by less than U)." in words.body
    assert "No inspection is running here." in words.body


def test_a_return_says_how_long_bodies_need(setup: Setup) -> None:
    """Settling of 4 h from the return, and the worst that was."""
    back = replace(CELL, conformity=Conformity.CONFORMING, value=20.2, margin=0.3)

    words = wording(replace(OUT, step="returned", cell=back), SPEC, "bay", setup)

    assert words.subject == "Machine bay: temperature within limits again, 20.20 °C"
    assert "Worst: 20.90 °C at P1 (bridge table)." in words.body
    assert "Not stable until about 08:40: machine and parts settle for 4 h." in words.body


@pytest.mark.parametrize("step", ["annunciated", "returned"])
def test_a_silent_source(setup: Setup, step: str) -> None:
    """An alarm without a rule is about readings that do not come; a probe is named once."""
    spec = replace(SPEC, key="bay.evidence", rule="", action="Look at plug and supply.")
    cell = Cell(
        0, MINUTE, Conformity.NONCONFORMING, 400.0, 0.0, -220.0, "s", 180.0, "P1.temperature",
        ("P1.temperature", "P1.relative_humidity"),
    )  # fmt: skip

    humidity = replace(setup.channels["P1.temperature"], key="P1.relative_humidity")
    reference = replace(setup, channels={**setup.channels, humidity.key: humidity})

    words = wording(replace(OUT, step=step, cell=cell, worst=cell), spec, "bay", reference)  # type: ignore[arg-type]

    expected = {
        "annunciated": "Machine bay: no readings from P1 (bridge table)",
        "returned": "Machine bay: readings received again",
    }
    assert words.subject == expected[step]


def test_a_notice_fits_a_phone(setup: Setup) -> None:
    """Subject under 100 characters, body under 700, no line break in the subject."""
    words = wording(OUT, SPEC, "bay", setup, simulated=True)

    assert len(words.subject) < 100
    assert "\n" not in words.subject
    assert len(words.body) < 700
