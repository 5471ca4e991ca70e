"""Conditions for a certificate: outward, with U, and silent where the record is."""

from __future__ import annotations

from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.conditions import Extent, extents, outward, statement
from logger.errors import Refused
from logger.inspection import ChannelStatistics, Check

from .conftest import rule, setup


def check(verdict: str = "stable") -> Check:
    """An answer with one channel, as the specification's example reads."""
    row = ChannelStatistics("P1.temperature", "temperature", "degC", 60, 19.78, 20.21, 20.0, 0.43, 1.0, 1.0)
    return Check("bay", 0, 10**12, 0, "", verdict, False, (), (), (row,), "", "", "")  # type: ignore[arg-type]


@given(
    st.integers(-40_000_000, 60_000_000),
    st.integers(0, 5_000_000),
    st.integers(0, 2_000_000),
    st.sampled_from(["0.1", "0.5", "1"]),
)
def test_it_agrees_with_decimal_arithmetic(low: int, width: int, U: int, step: str) -> None:
    """The standard library's decimal numbers round by IEEE 754 directed rounding: the outside reference."""
    unit, scale = Decimal(step), Decimal(10) ** -6
    begin, end = (low - U) * scale, (low + width + U) * scale
    wanted = (
        float((begin / unit).to_integral_value(ROUND_FLOOR) * unit),
        float((end / unit).to_integral_value(ROUND_CEILING) * unit),
    )
    assert outward(low / 1e6, (low + width) / 1e6, U / 1e6, float(step)) == pytest.approx(wanted, abs=1e-9)


def test_the_specified_example_is_the_sentence() -> None:
    """19.78 to 20.21 with U 0.10 are 19.6 °C to 20.4 °C: worked by hand in the specification (R6)."""
    said = statement(check(), [Extent("temperature", "air", 19.78, 20.21, 0.10)], "the bay")
    assert "temperature (air) 19.6 °C to 20.4 °C" in said.sentence
    assert said.sentence.endswith("The limits were kept.")


def test_pressure_is_printed_in_hPa_and_cold_with_a_true_minus_sign() -> None:
    found = [Extent("pressure", "air", 96_541.0, 97_012.0, 30.0), Extent("temperature", "air", -1.0, 1, 0.1)]
    said = statement(check("not stable"), found, "the bay")
    assert "pressure 965 hPa to 971 hPa" in said.sentence
    assert "−1.1 °C to 1.1 °C" in said.sentence
    assert said.sentence.endswith("The limits were not kept.")


def test_what_is_not_shown_is_not_stated() -> None:
    with pytest.raises(Refused, match="not shown"):
        statement(check("not shown"), [Extent("temperature", "air", 19.9, 20.1, 0.1)], "the bay")
    with pytest.raises(Refused, match="nothing was measured"):
        statement(check(), [], "the bay")


def test_a_channel_whose_uncertainty_is_unknown_is_left_out() -> None:
    room = setup((rule(),))
    zone, channel = "bay", "T1.temperature"
    row = replace(check().statistics[0], channel=channel)
    asked = replace(check(), zone=zone, statistics=(row,))
    assert extents(asked, room, {}) == []
    (one,) = extents(asked, room, {channel: 0.1})
    assert (one.low, one.high, one.U) == (19.78, 20.21, 0.1)


@pytest.mark.parametrize("wrong", [(20.1, 20.0, 0.1, 0.1), (20.0, 20.1, -0.1, 0.1), (20.0, 20.1, 0.1, 0.0)])
def test_figures_that_cannot_be_are_refused(wrong: tuple[float, float, float, float]) -> None:
    with pytest.raises(Refused, match="wanted low ≤ high"):
        outward(*wrong)
