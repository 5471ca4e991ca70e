"""A machine's own µm/K and lag from a check standard; limits from lengths."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import linregress

from logger.core.measurement.check_standard import fit_sensitivity
from logger.core.measurement.limit_derivation import derive_limits
from logger.core.measurement.thermal_error import DriftCheck, Feature, Work, thermal_error
from logger.core.physics.expansion import material_of
from logger.core.physics.thermal import response
from logger.errors import Refused
from logger.instants import NS, rfc3339
from tests.inspections.conftest import Made


def test_three_um_per_kelvin_from_forty_points() -> None:
    """3 µm/K, 0.5 µm noise, 40 points, room s 0.5 K: 3.0 ± 0.4, and within its own U."""
    inside = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        T = 20 + rng.normal(0, 0.5, 40)
        fit = fit_sensitivity(range(40), 3 * (T - 20) + rng.normal(0, 0.5, 40), lambda _tau, T=T: T)
        assert fit.um_per_K == pytest.approx(3.0, abs=0.6)
        inside += abs(fit.um_per_K - 3.0) <= fit.U_um_per_K
        assert fit.um_per_K == pytest.approx(linregress(T, 3 * (T - 20)).slope, abs=0.6)
    assert inside >= 36


def test_the_slope_is_that_of_a_reference_library() -> None:
    rng = np.random.default_rng(4)
    T, e = 20 + rng.normal(0, 0.5, 40), rng.normal(0, 0.5, 40)
    reference = linregress(T, 3 * (T - 20) + e)
    fit = fit_sensitivity(range(40), 3 * (T - 20) + e, lambda _tau: T)
    assert fit.um_per_K == pytest.approx(reference.slope)
    assert fit.um_per_K == pytest.approx(3.0, abs=0.4)


def test_a_lag_is_found() -> None:
    """A machine that follows a daily cycle by τ = 3 h (response tested against an ODE solver elsewhere)."""
    rng = np.random.default_rng(8)
    t = np.arange(0, 12 * 86_400, 600.0)
    air = 20 + 0.6 * np.sin(2 * np.pi * t / 86_400) + 0.3 * np.sin(2 * np.pi * t / 31_000)
    at = np.sort(rng.uniform(4 * 86_400, 12 * 86_400, 60))

    def lagged(tau: float) -> np.ndarray:
        return np.interp(at, t, response(t, air, tau, 20.0) if tau else air)

    fit = fit_sensitivity(at.tolist(), 4 * (lagged(3 * 3600.0) - 20) + rng.normal(0, 0.1, 60), lagged)
    assert fit.lag_s == pytest.approx(3 * 3600, rel=0.15)
    assert fit.lag_low_s <= 3 * 3600 <= (fit.lag_high_s or np.inf)
    assert fit.um_per_K == pytest.approx(4.0, abs=fit.U_um_per_K)


def test_what_tells_nothing_is_refused() -> None:
    with pytest.raises(Refused, match="at least 8"):
        fit_sensitivity([0.0], [1.0], lambda _tau: np.array([20.0]))
    with pytest.raises(Refused, match="was constant"):
        fit_sensitivity(range(10), np.arange(10.0), lambda _tau: np.full(10, 20.0))


def test_it_stands_in_the_place_of_book_values(warm: Made) -> None:
    """3 µm/K times a span of 1 K: TVE 3 µm; a drift check goes before it."""
    room = warm({"T1": ("air", lambda h: 20 + 0.5 * (h - 8))}, (8.0, 10.0 + 1 / 60))
    steel = material_of("steel")
    error = thermal_error(room, Feature(100.0, steel), Work(steel, um_per_K=3.0))
    assert (error.tve_um, error.tve_source) == (pytest.approx(3.0), "check standard, 3 µm/K times 1.00 K")
    both = thermal_error(room, Feature(100.0, steel), Work(steel, um_per_K=3.0, drift=DriftCheck(1.0)))
    assert both.tve_um == 1.0


def test_the_command_reads_a_list(stillroom: Any, demo_history: Path, tmp_path: Path) -> None:
    """3 µm for each K of the air that was recorded, without lag or noise: found to 2 %."""
    from logger.config import in_force
    from logger.inspections.soak_clocks import air_since
    from logger.store import Store
    from logger.verdicts.verdicts import Verdicts

    with Store.open(demo_history) as store:
        verdicts = Verdicts(store, in_force(store.setups.versions()).setup)
        first = (store.readings.extent() or (0, 0))[0] + 6 * 86_400 * NS
        seconds, air = air_since(verdicts, "machine-bay", first, first + 4 * 86_400 * NS)
    rows = [
        f"{rfc3339(first + int(s) * NS)},{3 * (T - 20):.4f}"
        for s, T in zip(seconds[::120], air[::120], strict=True)
    ]
    (tmp_path / "ring.csv").write_text("\n".join(["time,um", *rows]), "utf-8")
    result = stillroom(
        "inspection",
        "standard",
        tmp_path / "ring.csv",
        "--zone",
        "machine-bay",
        "--data",
        demo_history,
        "--json",
    )
    answer = json.loads(result.stdout)
    assert answer["um_per_K"] == pytest.approx(3.0, rel=0.02)
    assert answer["lag_s"] == 0.0


def test_a_limit_follows_from_a_length_and_says_so(stillroom: Any) -> None:
    """500 mm of aluminium, 2 µm: 0.17 K alone, 0.34 K on a steel scale (by hand)."""
    result = stillroom(
        "limits", "derive", "--length-mm", 500, "--material", "aluminium", "--allowed-um", 2, "--json"
    )
    answer = json.loads(result.stdout)
    assert answer["alone_K"] == pytest.approx(2 / (500e3 * 23.1e-6), abs=1e-6)
    assert answer["on_scale_K"] == pytest.approx(2 / (500e3 * 11.6e-6), abs=1e-6)
    assert "500 mm of aluminium, 2 µm allowed: ±0.173 K alone" in answer["basis"]
    steel = derive_limits(500.0, material_of("steel"), material_of("steel"), 2.0)
    assert steel.on_scale_K is None
    assert "any, expanding alike, on a steel scale" in steel.basis
