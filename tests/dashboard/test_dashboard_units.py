"""°C or °F, as a person chose for the browser. 20 °C is 68 °F by definition: t_F = 1.8 t_C + 32."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from flask import Flask

from dashboard.data.preferences import TEMPERATURE
from dashboard.data.queries import Queries
from dashboard.data.words import difference, exceedance, figure, in_read_units, plain, to_read_unit, unit
from dashboard.pages import soak
from dashboard.parts.certificates import certificate_card
from dashboard.parts.thermal_cards import _temperatures
from tests.dashboard.synthetic import NOW, Synthetic


@pytest.fixture
def in_fahrenheit() -> Iterator[None]:
    """Inside a request of a browser that chose °F."""
    with Flask("test").test_request_context(headers={"Cookie": f"{TEMPERATURE}=degF"}):
        yield


@pytest.mark.usefixtures("in_fahrenheit")
def test_values_and_differences_differ() -> None:
    """A temperature takes the zero point along, a difference, a gradient and an uncertainty do not."""
    assert to_read_unit(20.0, "degC") == (pytest.approx(68.0), "°F")
    assert difference(1.0, "K") == (pytest.approx(1.8), "°F")
    assert figure(20.02, "degC", 0.1) == "68.04 ± 0.18 °F"
    assert figure(0.4, "K/m", 0.14) == "0.72 ± 0.25 °F/m"
    assert plain(0.5, "K") == "0.9 °F"
    assert exceedance(0.6, "degC") == "1.08 °F·h"
    assert unit("K/h") == "°F/h"
    assert figure(96_541.0, "Pa") == "965.4 hPa"


@pytest.mark.parametrize(
    ("stored", "expected"),
    [
        ("Closest to its limit: temperature 20.02 ± 0.10 °C at P1, limit 20.5 °C.",
         "Closest to its limit: temperature 68.04 ± 0.18 °F at P1, limit 68.9 °F."),
        ("Temperature 20.71 °C at P1, 0.21 K above 20.5 °C. Stop measuring in this zone.",
         "Temperature 69.28 °F at P1, 0.38 °F above 68.9 °F. Stop measuring in this zone."),
        ("Span in 1 h 0.60 K at P2, 0.10 K above 0.5 K.",
         "Span in 1 h 1.08 °F at P2, 0.18 °F above 0.9 °F."),
        ("Temperature −1.100 ± 0.100 °C at P3, in the guard band of −1 °C",
         "Temperature 30.020 ± 0.180 °F at P3, in the guard band of 30.2 °F"),
        ("relative humidity, P1 46.2 ± 1.8 % RH, limit 60.",
         "relative humidity, P1 46.2 ± 1.8 % RH, limit 60."),
        ("temperature: P6, calibration overdue.", "temperature: P6, calibration overdue."),
    ],
    ids=["value", "beyond", "span", "cold", "humidity", "no figure"],
)  # fmt: skip
@pytest.mark.usefixtures("in_fahrenheit")
def test_stored_sentences_are_told_in_the_chosen_unit(stored: str, expected: str) -> None:
    """The service writes °C; who reads °F reads every figure of the sentence so."""
    assert in_read_units(stored) == expected


@pytest.mark.usefixtures("in_fahrenheit")
def test_a_certificate_is_read_in_the_chosen_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Range and points take the zero point along; errors, U and drift do not.

    The line that works the correction out stays in the certificate's unit, in which its parts add up.
    """
    record = Synthetic()
    setup = record.setup()
    paper = next(c for c in setup.certificates if c.number == "AG-0411-T")
    paper = replace(paper, indications=(20.0,), corrections=(-0.01,), U=(0.06,))
    paper = replace(paper, range=(0.0, 100.0), drift=0.05)
    setup = replace(setup, certificates=(paper,))
    monkeypatch.setattr(record, "setup", lambda: setup)
    card = str(certificate_card(Queries(record, lambda: NOW), paper.number))
    for text in ("32 °F to 212 °F", "68 °F", "67.982 °F", "+0.018 °F", "0.108 °F", "± 0.09 °F"):
        assert text in card, text
    assert "°C" not in re.sub(r"in use now, .*?className='provenance'", "", card)


def test_without_a_choice_nothing_changes() -> None:
    """Outside a request, and for a browser that chose nothing, everything is in °C and K."""
    assert figure(20.02, "degC", 0.1) == "20.02 ± 0.10 °C"
    assert in_read_units("P1 is at 20.71 °C, limit 20.5.") == "P1 is at 20.71 °C, limit 20.5."


@pytest.mark.usefixtures("in_fahrenheit")
def test_a_soak_is_planned_in_the_chosen_unit() -> None:
    """Fields are read in the unit of their labels, and the plan in °F is the plan in °C: 77 °F is 25 °C."""
    form = str(soak.layout(Queries(Synthetic(), lambda: NOW), ""))
    for text in ("Part now, °F", "Room, °F", "Allowed remaining difference, °F", "'77'", "'68'"):
        assert text in form, text
    plan = soak.plan_from({"tau": "30", "from": "77", "room": "68", "residual": "0.18"})
    assert (plan.difference_K, plan.residual_K) == (pytest.approx(5.0), pytest.approx(0.1))
    assert "9 °F from room temperature; 0.18 °F allowed" in str(soak.plan_card(plan))


@pytest.mark.usefixtures("in_fahrenheit")
def test_a_budget_is_told_in_the_chosen_unit() -> None:
    """U = 2 · 0.05 K is 0.18 °F, and a span of 0.5 K is 0.90 °F: never 0.18 K."""
    first = {"mean_C": 20.0, "u_K": 0.05, "how": "measured", "channels": ["P1.temperature"]}
    text = str(_temperatures({"part": first, "scale": first, "air_span_K": 0.5}))
    assert "68.00 ± 0.18 °F" in text
    assert "0.18 °F" in text
    assert "span 0.90 °F" in text
    assert " K" not in text
