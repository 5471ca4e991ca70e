"""The soak planner against textbooks and solvers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logger.core.measurement.soak import (
    COLDER_K,
    constant_from_size,
    constant_from_step,
    constant_from_tau,
    parse_sizes,
    plan_soak,
)
from logger.core.measurement.stamp import read_stamp
from logger.core.physics.core_temperature import core_response, first_term
from logger.core.physics.thermal import BODIES, Body, body_of
from logger.errors import Refused


def test_a_gauge_block_of_steel() -> None:
    """100 x 35 x 9 mm, h = 8 W/(m²·K), all faces: 25.13 min (by hand); 5 K to 0.1 K takes ln 50 of it."""
    constant = constant_from_size(BODIES["steel"], "cuboid", (100.0, 35.0, 9.0))
    assert constant.tau_s / 60 == pytest.approx(25.13, abs=0.01)
    ready = plan_soak(constant, 25.0, 20.0, 0.1)
    assert ready.ready_after_s == pytest.approx(constant.tau_s * np.log(50))
    assert ready.ready_latest_s == pytest.approx(ready.ready_after_s * 8 / 6)


@pytest.mark.parametrize(
    ("shape", "power", "size"), [("sphere", 2, (120.0,)), ("cylinder", 1, (90.0, 3000.0))]
)
def test_the_core_of_a_thick_piece_is_no_sooner_than_conduction_says(
    shape: Any, power: int, size: tuple[float, ...]
) -> None:
    """Conduction in shells, solved by scipy: ours for the core is within 5 % of it, lumped is too early."""
    body = Body(1190, 1470, 0.19)
    constant = constant_from_size(body, shape, size)
    assert not constant.lumped
    R, n = size[0] / 2000, 60
    edges = np.linspace(0, R, n + 1)
    mid, dr = (edges[1:] + edges[:-1]) / 2, R / n
    volume = np.diff(edges ** (power + 1)) / (power + 1)

    def flow(_: float, T: np.ndarray) -> np.ndarray:
        inner = body.conductivity * edges[1:-1] ** power * np.diff(T) / dr
        surface = R**power * T[-1] / (1 / 8.0 + (R - mid[-1]) / body.conductivity)
        heat = np.concatenate([[0.0], inner, [-surface]])
        return np.diff(heat) / volume / (body.density * body.specific_heat)

    ours = plan_soak(constant, 25.0, 20.0, 0.1).ready_after_s
    solved = solve_ivp(flow, (0, 2 * ours), np.full(n, 5.0), method="BDF", rtol=1e-7, max_step=ours / 300)
    true = float(np.interp(-0.1, -solved.y[0], solved.t))
    assert ours == pytest.approx(true, rel=0.05)
    assert constant.tau_s * np.log(50) < 0.97 * true


def test_the_middle_of_a_ceramic_sphere_is_later_than_its_mean() -> None:
    """Zirconia, 120 mm, h = 8 W/(m²·K), Bi = 0.064: 5 K to 0.1 K takes the middle 28,443 s, by diffusion.

    The whole sphere at one temperature takes τ·ln 50 = 6900 s · 3.912 = 26,993 s, which is 5 % early.
    """
    constant = constant_from_size(Body(6000, 460, 2.5), "sphere", (120.0,))
    assert constant.biot == pytest.approx(0.064, abs=1e-6)
    assert not constant.lumped
    assert plan_soak(constant, 25.0, 20.0, 0.1).ready_after_s == pytest.approx(28_443, rel=1e-3)


def test_where_the_middle_is_left_out_it_is_early_by_less_than_three_per_cent() -> None:
    """Just below the limit of the lumped model: the first term of Fourier's series, by the bodies' shapes."""
    for shape, size in (("sphere", (37.0,)), ("cuboid", (37.0, 37.0, 37.0)), ("cylinder", (37.0, 37.0))):
        body = Body(6000, 460, 2.5)
        lumped = plan_soak(constant_from_size(body, shape, size), 25.0, 20.0, 0.1)
        assert lumped.constant.lumped
        tau_s, C = core_response(body, shape, size, 8.0)
        assert lumped.ready_after_s == pytest.approx(tau_s * np.log(50 * C), rel=0.03)


@pytest.mark.parametrize(
    ("kind", "biot", "zeta", "C"),
    [
        ("wall", 0.1, 0.3111, 1.0161),
        ("wall", 1.0, 0.8603, 1.1191),
        ("cylinder", 0.1, 0.4417, 1.0246),
        ("cylinder", 1.0, 1.2558, 1.2071),
        ("sphere", 0.1, 0.5423, 1.0298),
        ("sphere", 1.0, 1.5708, 1.2732),
    ],
)
def test_first_terms_are_those_of_the_textbook(kind: Any, biot: float, zeta: float, C: float) -> None:
    """Incropera & DeWitt, table 5.1 (from memory): ζ and C to its last digit but one."""
    assert first_term(kind, biot) == pytest.approx((zeta, C), abs=2e-4)


def test_the_core_of_a_cube_follows_as_a_product_of_walls() -> None:
    """A granite cube of 400 mm: its middle by one wall cubed, solved by scipy, is ours within 3 %."""
    body, a, h, n = BODIES["granite"], 0.2, 8.0, 80
    kappa, d = body.conductivity / (body.density * body.specific_heat), 0.2 / 80

    def wall(_: float, T: np.ndarray) -> np.ndarray:
        surface = T[-1] / (1 / h + d / 2 / body.conductivity)
        flux = np.concatenate([[0.0], body.conductivity * np.diff(T) / d, [-surface]])
        return np.diff(flux) / d * kappa / body.conductivity

    ours = plan_soak(constant_from_size(body, "cuboid", (2000 * a,) * 3), 26.0, 20.0, 0.2).ready_after_s
    solved = solve_ivp(wall, (0, 2 * ours), np.ones(n), method="BDF", rtol=1e-7, max_step=ours / 300)
    true = float(np.interp(-0.2, -6 * solved.y[0] ** 3, solved.t))
    assert ours == pytest.approx(true, rel=0.03)


@pytest.mark.parametrize("degrees", [float("nan"), float("inf"), -274.0])
def test_a_part_of_no_temperature_is_never_ready(degrees: float) -> None:
    """Not a number is no difference of 0 K."""
    for ends in ((degrees, 20.0), (25.0, degrees)):
        with pytest.raises(Refused, match="expected a temperature"):
            plan_soak(constant_from_tau(1800.0), *ends, 0.5)


def test_a_plate_takes_heat_away_faster_and_a_part_that_was_wiped_is_colder() -> None:
    steel = BODIES["steel"]
    still, plate, moving = (
        constant_from_size(steel, "cuboid", (100.0, 35.0, 9.0), air, on_plate=on).tau_s
        for air, on in (("still", False), ("still", True), ("moving", False))
    )
    assert plate < moving < still
    dry, wiped = (plan_soak(constant_from_tau(1800.0), 20.2, 20.0, 0.3, just) for just in ("", "wiped"))
    assert dry.ready_after_s == 0
    assert wiped.ready_after_s == pytest.approx(1800 * np.log((COLDER_K["wiped"] - 0.2) / 0.3))
    assert "no source" in wiped.warnings[0]


def test_a_constant_is_fitted_to_twenty_minutes() -> None:
    """37 → 20 °C with τ = 30 min, noise 0.02 K, 20 min of it: within 15 %."""
    rng = np.random.default_rng(11)
    t = np.arange(0, 1200, 10.0)
    constant = constant_from_step(t, 20 + 17 * np.exp(-t / 1800) + rng.normal(0, 0.02, len(t)))
    assert constant.tau_s == pytest.approx(1800, rel=0.15)
    assert plan_soak(constant, 37.0, 20.0, 0.5).ready_after_s == pytest.approx(106 * 60, rel=0.15)


@pytest.mark.parametrize(
    ("call", "expected"),
    [
        (lambda: constant_from_size(BODIES["steel"], "cylinder", (10.0,)), "diameter × length"),
        (lambda: plan_soak(constant_from_tau(1800.0), 25.0, 20.0, 0.0), "residual"),
        (lambda: constant_from_tau(-1.0), "time constant"),
        (lambda: constant_from_step([0.0, 1.0], [20.0, 20.1]), "at least 5"),
        (lambda: constant_from_step(np.arange(50.0), 20 + 1e-3 * np.arange(50.0)), "do not determine"),
        (lambda: body_of("cheese"), "Expected one of"),
        (lambda: parse_sizes("a x b", "cuboid"), "100x35x9"),
        (lambda: read_stamp("stable, I swear"), "whole line"),
    ],
)
def test_what_cannot_be_planned_is_refused(call: Any, expected: str) -> None:
    with pytest.raises(Refused, match=expected):
        call()


def test_the_command_answers_the_planner(stillroom: Any, tmp_path: Path) -> None:
    """37 °C to 20 ± 0.5 °C with τ = 30 min: 106 min; the same fitted from a file."""
    result = stillroom("soak", "--time-constant-s", 1800, "--from-C", 37, "--residual-K", 0.5, "--json")
    assert json.loads(result.stdout)["ready_after_s"] / 60 == pytest.approx(106, abs=2)
    t = np.arange(0, 1200, 10)
    lines = ["s,degC", *(f"{s},{20 + 17 * np.exp(-s / 1800):.4f}" for s in t)]
    (tmp_path / "step.csv").write_text("\n".join(lines), "utf-8")
    result = stillroom("soak", "--fit", tmp_path / "step.csv", "--from-C", 37, "--residual-K", 0.5, "--json")
    assert json.loads(result.stdout)["time_constant_s"] == pytest.approx(1800, rel=0.01)
    cube = stillroom(
        "soak", "--material", "granite", "--size-mm", 300, "--from-C", 25, "--residual-K", 0.1, "--json"
    )
    answer = json.loads(cube.stdout)
    assert answer["biot"] == pytest.approx(0.1429, abs=1e-4)  # Incropera & DeWitt: lumped below 0.1
    assert not answer["lumped"]
    assert answer["warnings"]
