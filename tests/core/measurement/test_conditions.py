"""Conditions for a certificate: outward, with U, and silent where the record is."""

from __future__ import annotations

from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.measurement.check import Check
from logger.core.measurement.conditions import Extent, conditions_statement, round_outward
from logger.errors import Refused
from logger.inspections.assess import Question, assess
from logger.instants import NS
from logger.model import Row
from logger.record.conditions import conditions
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

UTC = ZoneInfo("UTC")


def check(verdict: str = "stable") -> Check:
    """An answer without reasons."""
    return Check("bay", 0, 10**12, 0, "", verdict, False, (), (), (), "", "", "")  # type: ignore[arg-type]


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
    expected = (
        float((begin / unit).to_integral_value(ROUND_FLOOR) * unit),
        float((end / unit).to_integral_value(ROUND_CEILING) * unit),
    )
    assert round_outward(low / 1e6, (low + width) / 1e6, U / 1e6, float(step)) == pytest.approx(
        expected, abs=1e-9
    )


def test_the_specified_example_is_the_sentence() -> None:
    """19.78 to 20.21 with U 0.10 are 19.6 °C to 20.4 °C: worked by hand in the specification (R6)."""
    text = conditions_statement(
        check(), [Extent("temperature", "air", 19.68, 20.31, 0.10)], [], "the bay", UTC
    )
    assert "temperature (air) 19.6 °C to 20.4 °C" in text.sentence
    assert text.sentence.endswith("The limits were kept.")


def test_cold_has_a_true_minus_sign() -> None:
    text = conditions_statement(check(), [Extent("temperature", "air", -1.1, 1.1, 0.1)], [], "the bay", UTC)
    assert "−1.1 °C to 1.1 °C" in text.sentence


def test_what_is_not_shown_is_not_stated() -> None:
    with pytest.raises(Refused, match="not shown"):
        conditions_statement(
            check("not shown"), [Extent("temperature", "air", 19.9, 20.1, 0.1)], [], "the bay", UTC
        )
    with pytest.raises(Refused, match="nothing was measured"):
        conditions_statement(check(), [], [], "the bay", UTC)


def hour(store: Store, build: SimpleNamespace, values: dict[str, np.ndarray]) -> None:
    """Three hours of readings once a minute, of which the second is asked about."""
    for probe, each in values.items():
        taken_ns = [build.at(0) + (30 + 60 * i) * NS for i in range(180)]
        rows = [Row(f"{probe}.temperature", t, t, float(v)) for t, v in zip(taken_ns, each, strict=True)]
        store.append("w", rows)


def sentences(store: Store, setup: object, build: SimpleNamespace) -> str:
    """The sentence of the check and of the command for records, which must be one."""
    verdicts, ends, now = Verdicts(store, setup), (build.at(1), build.at(2)), build.at(48)  # type: ignore[arg-type]
    text = assess(verdicts, Question("bay", *ends), now).statement
    assert text == conditions(verdicts, "bay", *ends, now).sentence
    return str(text)


def two(build: SimpleNamespace, upper: float, **more: object) -> object:
    rule = build.rule(lower=19.0, upper=upper, disturbs=False, **more)
    return build.setup((rule,), {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0)}, pre_window_s=0)


def test_one_doubtful_reading_does_not_hide_a_channel(store: Store, build: SimpleNamespace) -> None:
    """Probes at 20.0 and 21.5 °C, U 0.2 K, one spike of the warmer: the sentence reaches to 21.7 °C."""
    warm = np.full(180, 21.5)
    warm[90] = 30.0
    setup = two(build, 23.0, need=1)
    spiky = {k: replace(c, spike=1.0) for k, c in setup.channels.items()}  # type: ignore[attr-defined]
    hour(store, build, {"T1": np.full(180, 20.0), "T2": warm})
    text = sentences(store, replace(setup, channels=spiky), build)  # type: ignore[type-var]
    assert "temperature (air) 19.8 °C to 21.7 °C (limits 19 °C to 23 °C)" in text
    assert "Not counted: 1 reading of T2 temperature (reading suspect)." in text
    assert text.endswith("The limits were kept.")


def test_a_probe_without_a_valid_certificate_is_named(store: Store, build: SimpleNamespace) -> None:
    """T2 is overdue for the whole hour: its readings are counted out, not passed over."""
    setup = two(build, 23.0, need=1)
    papers = tuple(
        replace(c, due_ns=build.at(0)) if c.number == "C-T2" else c
        for c in setup.certificates  # type: ignore[attr-defined]
    )
    hour(store, build, {"T1": np.full(180, 20.0), "T2": np.full(180, 21.5)})
    text = sentences(store, replace(setup, certificates=papers), build)  # type: ignore[type-var]
    assert "temperature (air) 19.8 °C to 20.2 °C" in text
    assert "Not counted: all 60 readings of T2 temperature (calibration overdue)." in text


def test_each_channel_has_its_own_U_and_no_kept_limit_is_passed(store: Store, build: SimpleNamespace) -> None:
    """T1 up to 20.12 with U 0.10, T2 20.00 with U 0.20: 20.22, under a limit of 20.25, never 20.3."""
    setup = two(build, 20.25)
    papers = tuple(
        replace(c, U=(0.1 if c.number == "C-T1" else 0.2,))
        for c in setup.certificates  # type: ignore[attr-defined]
    )
    warmer = np.full(180, 20.0)
    warmer[90:100] = 20.12
    hour(store, build, {"T1": warmer, "T2": np.full(180, 20.0)})
    text = sentences(store, replace(setup, certificates=papers), build)  # type: ignore[type-var]
    assert "19.80 °C to 20.22 °C (limits 19 °C to 20.25 °C, rounded to 0.01 °C)" in text
    assert text.endswith("The limits were kept.")


def test_settling_is_no_broken_limit(store: Store, build: SimpleNamespace) -> None:
    """The limit was exceeded before the hour and bodies settle in it: the sentence says that, and why."""
    rule = build.rule(lower=19.0, upper=21.0)
    values = np.full(180, 20.0)
    values[50:55] = 21.5
    hour(store, build, {"T1": values})
    text = sentences(store, build.setup((rule,), settling_s=4 * 3600, pre_window_s=0), build)
    assert "The limits were" not in text
    assert "The room was not stable. Settling:" in text


@pytest.mark.parametrize("wrong", [(20.1, 20.0, 0.1, 0.1), (20.0, 20.1, -0.1, 0.1), (20.0, 20.1, 0.1, 0.0)])
def test_figures_that_cannot_be_are_refused(wrong: tuple[float, float, float, float]) -> None:
    with pytest.raises(Refused, match="expected low ≤ high"):
        round_outward(*wrong)
