"""Bending of a plate: the figure by the exact circle, its U and its limit in µm by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.rules.finding import Finding
from logger.errors import Refused
from logger.model import Conformity, Plate
from logger.units import MICRO

# Granite from memory: 6.5e-6/K, from 5 to 8 for metrology plates.
GRANITE = Plate(1000.0, 150.0, 6.5e-6, 0.4e-6)


def judged(build: SimpleNamespace, top: float, bottom: float, limit: float, plate: Plate | None) -> Finding:
    """One day of a plate whose top and bottom are as warm as said; U of each probe 0.10 K."""
    rule = build.rule(
        name="bending of the plate", kind="bending", channels=("T1.temperature", "T2.temperature"),
        lower=-limit, upper=limit, unit="um", disturbs=False, plate=plate,
    )  # fmt: skip
    setup = build.setup((rule,), {"T1": (0, 0, 1.0), "T2": (0, 0, 0.85)}, U=0.1)
    readings = {"T1": build.series(np.full(1440, top)), "T2": build.series(np.full(1440, bottom))}
    finding: Finding = build.judged(setup, readings).findings[0]
    return finding


def sagitta_um(plate: Plate, apart_K: float) -> float:
    """By the circle itself: R − √(R² − (L/2)²) with R = h/(α·ΔT); no formula for small arcs."""
    radius_mm = plate.thickness_mm / (plate.alpha_per_K * apart_K)
    half = plate.length_mm / 2
    return half**2 / (radius_mm + math.sqrt(radius_mm**2 - half**2)) * 1000


def test_half_a_kelvin_bends_a_metre_of_granite_by_2_7_um(build: SimpleNamespace) -> None:
    """Top 20.5, bottom 20.0, 1 m × 150 mm: 2.708 µm by hand, and by the circle; U by JCGM 100, 5.1.2:
    √((5.417·√2·0.10)² + (2.708·2·0.4/6.5)²) = √(0.766² + 0.333²) = 0.835."""
    finding = judged(build, 20.5, 20.0, 5.0, GRANITE)

    assert finding.value[-1] / MICRO == pytest.approx(2.708, abs=5e-4)
    assert finding.value[-1] / MICRO == pytest.approx(sagitta_um(GRANITE, 0.5), abs=1e-4)
    assert finding.U[-1] / MICRO == pytest.approx(0.835, abs=5e-4)
    assert set(finding.conformity.tolist()) == {Conformity.CONFORMING}
    assert finding.labels == ("T1–T2",)


@pytest.mark.parametrize(
    ("top", "bottom", "limit", "expected", "proven"),
    [
        (20.5, 20.0, 2.0, Conformity.NONCONFORMING, False),  # 2.71 > 2.0, by 0.71 < U
        (20.5, 20.0, 1.8, Conformity.NONCONFORMING, True),  # by 0.91 > U
        (20.0, 20.5, 1.8, Conformity.NONCONFORMING, True),  # concave: the limit holds either way
        (20.5, 20.0, 3.0, Conformity.GUARD_BAND, False),  # 3.0 − 2.71 = 0.29 < U
        (20.5, 20.0, 3.6, Conformity.CONFORMING, False),
    ],
)
def test_the_limit_is_in_um_with_its_guard_band(
    build: SimpleNamespace, top: float, bottom: float, limit: float, expected: Conformity, proven: bool
) -> None:
    finding = judged(build, top, bottom, limit, GRANITE)

    assert set(finding.conformity.tolist()) == {expected}
    assert bool(finding.proven.all()) is proven


def test_a_plate_without_a_size_bends_by_no_figure(build: SimpleNamespace) -> None:
    with pytest.raises(Refused, match="expected its size and expansion"):
        judged(build, 20.5, 20.0, 5.0, None)
