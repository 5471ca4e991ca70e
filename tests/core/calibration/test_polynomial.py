"""Corrections by a polynomial that a certificate states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger import config
from logger.core.calibration.apply import correct_readings, standard_uncertainty
from logger.core.calibration.as_found import change
from logger.core.calibration.curve import correction, left_over, residuals
from logger.errors import ConfigError
from logger.model import AsFound, Certificate, Channel, Polynomial
from logger.model.reasons import Why
from logger.units import MICRO

POINTS = np.array([10.0, 20.0, 30.0, 40.0])
CHANNEL = Channel("T.temperature", "T", "temperature", "degC", 60, 180, 0.0, 0.0, (-40, 60))


def certificate(fit: Polynomial | None, corrections: np.ndarray) -> Certificate:
    return Certificate(
        "1", "T.temperature", "", "", "2026-01-01", 0, None, tuple(POINTS), tuple(corrections),
        (0.1,) * 4, 2.0, (10.0, 40.0), polynomial=fit,
    )  # fmt: skip


def test_it_is_that_of_numpy() -> None:
    """numpy.polynomial in the scaled variable is the reference; ends are held beyond the points."""
    fit = Polynomial((-0.11, 0.05, -0.02, 0.004), 25.0, 15.0)
    paper = certificate(fit, np.zeros(4))
    x = np.linspace(10, 40, 31)
    expected = np.polynomial.Polynomial(fit.coefficients)((x - 25) / 15)
    np.testing.assert_allclose(correction(paper, x), expected, rtol=1e-14)
    beyond = correction(paper, np.array([5.0, 55.0, np.nan]))
    assert beyond[:2].tolist() == [expected[0], expected[-1]]
    assert np.isnan(beyond[2])


def test_what_it_leaves_of_the_points_counts() -> None:
    """Least squares of degree 1 through 4 points: s = √(Σr²/2) by numpy; it adds to U."""
    observed = np.array([-0.12, -0.08, -0.02, 0.06])
    line = np.polynomial.Polynomial.fit(POINTS, observed, 1, domain=[10, 40], window=[-1, 1])
    paper = certificate(Polynomial(tuple(line.coef), 25.0, 15.0), observed)
    rest = observed - line(POINTS)
    s = np.sqrt((rest**2).sum() / 2)
    np.testing.assert_allclose(residuals(paper), rest, atol=1e-15)
    assert left_over(paper) == pytest.approx(s, rel=1e-12)
    u = standard_uncertainty(paper, CHANNEL, np.array(22.0))
    assert float(u) == pytest.approx(np.hypot(0.05, s), rel=1e-12)
    assert left_over(replace(paper, polynomial=None)) == 0.0


def test_outside_its_range_it_supports_nothing() -> None:
    paper = certificate(Polynomial((0.2, 0.3), 25.0, 15.0), np.zeros(4))
    outcome = correct_readings(CHANNEL, [paper], np.array([1, 2]), np.array([25.0, 41.0]))
    assert outcome.value.tolist() == pytest.approx([25.2, 41.5])
    assert outcome.why.tolist() == [Why.EVIDENCE, Why.OUTSIDE_RANGE]


def test_errors_as_found_are_against_the_polynomial() -> None:
    """As left: correction +0.2, that is an error of −0.2; as found +0.1: it moved by +0.3."""
    paper = certificate(Polynomial((0.2,)), np.full(4, 0.2))
    again = replace(paper, number="2", as_found=AsFound((20.0,), (0.1,), "linear"))
    assert float(change(paper, again, np.array(20.0))) == pytest.approx(0.3)


TABLE = """
[polynomial]
of = "{of}"
coefficients = [{c}]
centre = {centre}
scale = {scale}
"""
FILE = "certificates/AG-0411-T.toml"


@pytest.fixture(scope="module")
def example() -> dict[str, str]:
    return config.read_texts(config.example_folder())


def with_table(texts: dict[str, str], table: str, unit: str = "degC") -> dict[str, str]:
    """The example's thermometer with a polynomial, its table before the points."""
    head, points = texts[FILE].split("[[points]]", 1)
    return texts | {FILE: head.replace('unit = "degC"', f'unit = "{unit}"') + table + "\n[[points]]" + points}


@pytest.mark.parametrize(
    ("of", "c"),
    [("correction", "-0.012, 0.003"), ("error", "0.012, -0.003"), ("reference", "21.988, 8.003")],
)
def test_all_three_ways_of_stating_it_are_one(example: dict[str, str], of: str, c: str) -> None:
    """−0.012 + 0.003·z with z = (t − 22)/8, told as correction, as error, and as the reference itself."""
    texts = with_table(example, TABLE.format(of=of, c=c, centre=22.0, scale=8.0))
    loaded = config.load_texts(texts).setup.certificates
    (paper,) = [p for p in loaded if p.number == "AG-0411-T"]
    assert paper.polynomial is not None
    assert paper.polynomial.coefficients == pytest.approx((-0.012, 0.003))
    assert float(correction(paper, np.array(26.0)) * MICRO) == pytest.approx(-10_500, abs=1e-3)


def test_a_turned_sign_is_refused(example: dict[str, str]) -> None:
    texts = with_table(example, TABLE.format(of="correction", c="0.45", centre=22.0, scale=8.0))
    with pytest.raises(ConfigError, match="within U"):
        config.load_texts(texts)
