"""Thermal rows for a budget: an example of JCGM 100 worked again, the demo, the command."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from uncertainties import ufloat

from logger.core.measurement.thermal_budget import (
    EVEN,
    Estimate,
    ThermalInputs,
    drift_half_K,
    materials,
    thermal_budget,
)
from logger.core.physics.expansion import material_of
from tests.command_line import Run

DEMO = ("--zone", "machine-bay", "--length-mm", "420", "--material", "aluminium")


def h1(**changes: Estimate) -> ThermalInputs:
    """The thermal inputs of JCGM 100:2008, annex H.1 (from memory): an end gauge of 50 mm by comparison."""
    inputs = ThermalInputs(
        50.000623,
        alpha=Estimate(11.5e-6, 2e-6 * EVEN),
        delta_alpha=Estimate(0.0, 1e-6 * EVEN),
        theta=Estimate(-0.1, float(np.hypot(0.2, 0.5 / 2**0.5))),
        delta_theta=Estimate(0.0, 0.05 * EVEN),
        drift=Estimate(0.0, 0.0),
    )
    return replace(inputs, **changes)


def test_the_thermal_rows_of_the_end_gauge_are_those_of_the_guide() -> None:
    """JCGM 100:2008, table H.1 and H.1.7: 2.9, 16.6, 0, 0 nm; second order 11.7 and 1.7 nm."""
    rows = {row.symbol: row.u_nm for row in thermal_budget(h1()).rows}

    expected = {"δα": 2.9, "α": 0.0, "θ": 0.0, "δθ": 16.6, "δα·θ": 11.7, "α·δθ": 1.7, "drift": 0.0}
    assert rows == pytest.approx(expected, abs=0.05)


def test_the_whole_budget_of_the_end_gauge_is_that_of_the_guide() -> None:
    """With the standard (25 nm) and the comparison (9.7 nm) u is 32 nm, with the second order 34 nm."""
    budget = thermal_budget(h1())
    first = np.sqrt(sum(r.u_nm**2 for r in budget.rows if r.distribution != "product") + 25**2 + 9.7**2)

    assert first == pytest.approx(32, abs=0.5)
    assert np.hypot(budget.u_nm, np.hypot(25, 9.7)) == pytest.approx(34, abs=0.5)


def test_the_first_order_is_that_of_linear_propagation() -> None:
    """By the library `uncertainties`, with estimates that are not zero."""
    inputs = h1(delta_alpha=Estimate(11.6e-6, 1.4e-6), delta_theta=Estimate(0.07, 0.02))
    L = inputs.length_mm * 1e6
    da, a, th, dth = (
        ufloat(x.value, x.u) for x in (inputs.delta_alpha, inputs.alpha, inputs.theta, inputs.delta_theta)
    )
    effect = L * (da * th + a * dth)
    budget = thermal_budget(inputs)

    assert budget.effect_nm == pytest.approx(effect.nominal_value, rel=1e-12)
    linear = np.sqrt(sum(r.u_nm**2 for r in budget.rows if r.distribution != "product"))
    assert linear == pytest.approx(effect.std_dev, rel=1e-9)


def test_the_second_order_covers_what_a_simulation_shows() -> None:
    """JCGM 101: 400,000 random draws of H.1, whose linear part alone is 5 nm too small."""
    rng, inputs = np.random.default_rng(7), h1()
    draws = {
        name: rng.normal(getattr(inputs, name).value, getattr(inputs, name).u, 400_000)
        for name in ("alpha", "delta_alpha", "theta", "delta_theta")
    }
    L = inputs.length_mm * 1e6
    lengths = L * (draws["delta_alpha"] * draws["theta"] + draws["alpha"] * draws["delta_theta"])

    assert thermal_budget(inputs).u_nm == pytest.approx(float(lengths.std()), abs=0.2)


def test_bounds_of_materials_become_standard_uncertainties() -> None:
    """Handbook aluminium 23.1 ± 2.31 on steel 11.5 ± 1.15, in 1e-6/K: rectangles."""
    alpha, delta = materials(material_of("aluminium"), material_of("steel"))

    assert (alpha.value, alpha.u) == pytest.approx((11.5e-6, 1.15e-6 / 3**0.5))
    assert (delta.value, delta.u) == pytest.approx((11.6e-6, np.hypot(2.31e-6, 1.15e-6) / 3**0.5))


def test_drift_looks_only_at_times_that_count() -> None:
    values = np.array([20.0, 20.1, 20.4, 20.4, 23.0, 20.0, 20.1])
    usable = np.array([True, True, True, True, False, True, True])

    assert drift_half_K(values, usable, 2) == pytest.approx(0.15)
    assert drift_half_K(values, usable, 100) == pytest.approx(0.2)
    assert drift_half_K(values, np.zeros(7, bool), 2) == 0.0


def test_rows_of_the_demo_stand_on_what_its_room_did(demo_history: Path, stillroom: Run) -> None:
    """θ lies inside the limits of the bay, the rows add up, and the CSV says the same unrounded."""
    out = Path(str(demo_history.parent)) / "rows.csv"
    result = stillroom("inspection", "budget", *DEMO, "--csv", out, "--data", demo_history, "--json")
    assert result.returncode == 0, result.stderr
    (general, *_) = json.loads(result.stdout)["budgets"]
    rows = {row["symbol"]: row for row in general["rows"]}

    assert abs(rows["θ"]["value"]) < 0.5
    assert 0 < rows["θ"]["u"] < 0.5
    assert general["u_nm"] == pytest.approx(np.sqrt(sum(r["u_nm"] ** 2 for r in rows.values())))
    read = list(csv.DictReader(io.StringIO(out.read_text("utf-8"))))
    assert [float(r["u_nm"]) for r in read if r["activity"] == ""] == [r["u_nm"] for r in general["rows"]]


def test_one_inspection_has_its_rows(demo_history: Path, stillroom: Run) -> None:
    when = ("--zone", "machine-bay", "--from", "2026-10-13T13:00", "--to", "2026-10-13T15:30")
    what = ("--length-mm", "420", "--material", "aluminium", "--tolerance-um", "30")
    result = stillroom("check", *when, *what, "--budget", "--data", demo_history)
    assert "Rows for a budget:" in result.stdout
    assert "µm/(m·K)" in result.stdout
    assert "e-0" not in result.stdout
    assert "temperature of the part minus that of the scale" in result.stdout
    body = json.loads(stillroom("check", *when, *what, "--data", demo_history, "--json").stdout)
    effect_um, nde_um = body["thermal"]["budget"]["effect_nm"] / 1000, body["thermal"]["nde_um"]
    assert effect_um == pytest.approx(nde_um, abs=1e-4)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--length-mm", "0"), "--length-mm: expected a number above 0"),
        (("--activity", "gauges"), "--activity: expected one of"),
        (("--material", "cheese"), "There is no material 'cheese'"),
        (("--from", "2026-10-18", "--to", "2026-10-18T01:00"), "was never stable"),
    ],
)
def test_bad_input_is_refused_in_words(
    demo_history: Path, stillroom: Run, words: tuple[str, ...], message: str
) -> None:
    result = stillroom("inspection", "budget", *DEMO, *words, "--data", demo_history)

    assert (result.returncode, message in result.stderr) == (2, True), result.stderr
