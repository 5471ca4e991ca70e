"""Gradient of the least-squares plane, and spread: exact planes, numpy's own solver, Monte Carlo."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.rules.finding import Finding
from logger.core.rules.plane import Fit
from logger.model import Conformity, Position
from logger.model.reasons import Why
from logger.units import MICRO

CORNERS = {
    "T1": (0.5, 0.5, 0.4), "T2": (6.5, 0.7, 2.6), "T3": (0.6, 4.4, 2.5), "T4": (6.4, 4.6, 0.5),
    "T5": (3.4, 2.4, 1.5),
}  # fmt: skip


def judged(
    build: SimpleNamespace,
    values: dict[str, float],
    places: dict[str, tuple[float, float, float]],
    **changed: object,
) -> Finding:
    """One day at constant temperatures under a rule on the plane, 0.5 K/m."""
    rule = build.rule(
        **{"name": "plane", "kind": "plane", "unit": "K/m", "lower": None, "upper": 0.5, "disturbs": False}
        | changed
    )
    setup = build.setup((rule,), places, U=0.06)
    readings = {p: build.series(np.full(1440, v)) for p, v in values.items()}
    return build.judged(setup, readings).findings[0]


def on_plane(
    places: dict[str, tuple[float, float, float]], g: tuple[float, float, float]
) -> dict[str, float]:
    return {p: 20.0 + float(np.dot(g, xyz)) for p, xyz in places.items()}


@pytest.mark.parametrize(
    ("direction", "expected"), [("vertical", 0.30), ("horizontal", 0.10), ("", np.sqrt(0.10**2 + 0.30**2))]
)
def test_an_exact_plane_is_found(build: SimpleNamespace, direction: str, expected: float) -> None:
    """g = (0.06, −0.08, 0.30) K/m: 0.10 across, 0.30 up, by Pythagoras 0.316 in all."""
    finding = judged(build, on_plane(CORNERS, (0.06, -0.08, 0.30)), CORNERS, direction=direction)
    assert finding.value[-1] / MICRO == pytest.approx(expected, abs=2e-5)
    assert finding.labels == ("T1–T2–T3–T4–T5",)


def test_noise_is_fitted_as_numpy_does() -> None:
    """numpy.linalg.lstsq on the design matrix [1, x, y, z] is the reference."""
    rng = np.random.default_rng(11)
    x = np.array(list(CORNERS.values()))
    T = 20 + rng.normal(0, 0.2, len(x))
    expected = np.linalg.lstsq(np.column_stack([np.ones(len(x)), x]), T)[0][1:]
    fit = Fit.of([Position(p, p, "bay", "air", xyz) for p, xyz in CORNERS.items()])
    nothing = np.zeros((len(x), 1))
    result = [float(fit.component(d, T[:, None], nothing, nothing)[0][0]) for d in ("horizontal", "vertical")]
    assert result == pytest.approx([np.hypot(*expected[:2]), abs(expected[2])], rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("direction", ["vertical", "horizontal", ""])
def test_U_is_that_of_a_monte_carlo(direction: str) -> None:
    """JCGM 101: probes of U = 0.06 K, positions of u = 20 mm each coordinate, 40 000 draws; 3 % of noise."""
    rng = np.random.default_rng(3)
    positions = [Position(p, p, "bay", "air", xyz) for p, xyz in CORNERS.items()]
    x, g = np.array([p.xyz_m for p in positions]), np.array([0.3, 0.2, -0.5])
    T = 20 + x @ g
    fit = Fit.of(positions)
    U = fit.component(direction, T[:, None], np.full((5, 1), 0.06), np.zeros((5, 1)))[1][0]
    drawn = []
    for _ in range(40_000):
        observed = 20 + (x + rng.normal(0, 0.02, x.shape)) @ g + rng.normal(0, 0.03, 5)
        drawn.append(fit.P @ observed)
    part = {"vertical": slice(2, 3), "horizontal": slice(0, 2), "": slice(0, 3)}[direction]
    spread = np.std(np.linalg.norm(np.array(drawn)[:, part], axis=1))
    assert float(U) == pytest.approx(2 * spread, rel=0.03)


@pytest.mark.parametrize(
    ("places", "determined"),
    [
        ({f"T{i}": (1.0, 2.0, 0.5 * i) for i in range(1, 5)}, {"vertical", ""}),
        ({f"T{i}": (1.5 * i, 2.0, 1.0) for i in range(1, 5)}, {"horizontal", ""}),
        ({f"T{i}": (1.0 * i, 1.0 * i, 1.0 * i) for i in range(1, 5)}, {""}),
        ({"T1": (0, 0, 1), "T2": (5, 0, 1), "T3": (0, 4, 1), "T4": (5, 4, 1)}, {"horizontal"}),
        ({"T1": (0, 0, 1), "T2": (5, 0, 1), "T3": (0, 4, 1.01), "T4": (5, 4, 1.02)}, {"horizontal"}),
        ({"T1": (0, 0, 1), "T2": (5, 0, 1), "T3": (0, 0, 3), "T4": (5, 0, 3)}, {"vertical"}),
        ({f"T{i}": (1.0, 1.0, 1.0) for i in range(1, 5)}, set()),
        (CORNERS, {"vertical", "horizontal", ""}),
    ],
    ids=["pole", "row", "slanted line", "one height", "10 mm of height", "wall", "one point", "room"],
)
def test_what_positions_determine(
    places: dict[str, tuple[float, float, float]], determined: set[str]
) -> None:
    """Condition number above 100, one plane, one line, one point: 5 m across and 10 mm up is 350 and more."""
    fit = Fit.of([Position(p, p, "bay", "air", xyz) for p, xyz in places.items()])
    assert fit.determined == determined


def test_positions_in_one_plane_are_indeterminate_and_never_a_number(build: SimpleNamespace) -> None:
    places = {"T1": (0, 0, 1), "T2": (5, 0, 1), "T3": (0, 4, 1), "T4": (5, 4, 1)}
    finding = judged(build, dict.fromkeys(places, 20.0), places, direction="vertical")
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}
    assert set(finding.why.tolist()) == {Why.ILL_CONDITIONED}
    assert np.isnan(finding.value).all()


def test_a_line_gives_the_component_along_it(build: SimpleNamespace) -> None:
    """Probes on a pole, 0.4 K/m; U = U_probe/√Σ(z − z̄)² with positions exact to 20 mm: by hand."""
    pole = {f"T{i}": (1.0, 1.0, 0.5 * i) for i in range(1, 6)}
    finding = judged(build, on_plane(pole, (0, 0, 0.4)), pole, direction="vertical")
    by_hand = np.sqrt((0.06**2 + (2 * 0.02 * 0.4) ** 2) / (0.5**2 * 10))
    assert finding.value[-1] / MICRO == pytest.approx(0.4, abs=2e-5)
    assert finding.U[-1] / MICRO == pytest.approx(by_hand, abs=2e-5)


def test_three_probes_are_no_plane(build: SimpleNamespace) -> None:
    """The fourth fell silent at 10:00: short from then on, though the three could be fitted."""
    places = dict(list(CORNERS.items())[:4])
    rule = build.rule(name="p", kind="plane", direction="vertical", unit="K/m", lower=None, upper=0.5)
    readings = {p: build.series(np.full(1440, v)) for p, v in on_plane(places, (0, 0, 0.1)).items()}
    readings["T4"] = build.without(readings["T4"], build.at(10), build.at(24))
    finding = build.judged(build.setup((rule,), places), readings).findings[0]
    assert finding.conformity[590] == Conformity.CONFORMING
    assert set(finding.why[610:].tolist()) == {Why.NO_READING}


def test_enough_of_several_probes_decide(build: SimpleNamespace) -> None:
    """need = 4 of 5: the plane goes on with the four that are left."""
    rule = build.rule(name="p", kind="plane", direction="vertical", unit="K/m", lower=None, upper=0.9, need=4)
    readings = {p: build.series(np.full(1440, v)) for p, v in on_plane(CORNERS, (0, 0, 0.2)).items()}
    readings["T5"] = build.without(readings["T5"], build.at(10), build.at(24))
    finding = build.judged(build.setup((rule,), CORNERS), readings).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.CONFORMING}
    assert finding.value[-1] / MICRO == pytest.approx(0.2, abs=2e-5)


def test_spread_names_the_hottest_and_the_coldest(build: SimpleNamespace) -> None:
    """19.7 to 20.6 degC: 0.9 K; U of two probes of 0.06 K each is 0.085 K."""
    values = dict(zip(CORNERS, (20.0, 20.6, 19.7, 20.1, 20.2), strict=True))
    finding = judged(build, values, CORNERS, kind="spread", name="spread", unit="K", upper=1.0)
    assert finding.value[-1] / MICRO == pytest.approx(0.9, abs=1e-6)
    assert finding.U[-1] / MICRO == pytest.approx(0.06 * np.sqrt(2), abs=1e-6)
    assert finding.labels[finding.label[-1]] == "T2–T3"
