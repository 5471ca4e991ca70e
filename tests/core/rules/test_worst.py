"""The worst of many candidates, and windows over cells, against what each says when it is looked at alone."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.core.evidence.grid import Grid
from logger.core.rules.finding import Candidates, Finding, LateU, WorstCandidates, pick
from logger.core.rules.windows import moving_max, moving_min
from logger.model import Conformity, Rule
from logger.model.reasons import Why
from logger.units import MICRO

CELLS = 60


@pytest.mark.parametrize("width", [1, 2, 3, 5, 8, 13, 60, 90])
@pytest.mark.parametrize("shape", [(1,), (2,), (41,), (3, 41)])
def test_a_moving_window_holds_its_last_cells_and_no_others(width: int, shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(width)
    values = np.rint(rng.normal(0, 40, shape))
    values[rng.random(shape) < 0.4] = np.nan
    least, most = moving_min(values, width), moving_max(values, width)
    for place in np.ndindex(shape):
        window = values[place[:-1]][max(0, place[-1] - width + 1) : place[-1] + 1]
        seen = window[np.isfinite(window)]
        expected = (seen.min(), seen.max()) if len(seen) else (np.nan, np.nan)
        assert np.array_equal((least[place], most[place]), expected, equal_nan=True)


def candidates(rng: np.random.Generator, k: int, scale: float) -> Candidates:
    """Some that lack values, evidence, a place or an uncertainty, and some that lack nothing."""
    low = np.rint(rng.normal(20, 1, (k, CELLS)) * scale)
    high = low + np.rint(rng.exponential(0.1, (k, CELLS)) * scale)
    U = np.rint(rng.uniform(0, 0.5, (k, CELLS)) * scale)
    why = np.zeros((k, CELLS), np.uint8)
    placed = np.ones((k, CELLS), np.bool_)
    for row in np.flatnonzero(rng.random(k) < 0.5):
        low[row, :9] = high[row, :9] = np.nan
        U[row, 9:15] = np.nan
        why[row, 15:25] = rng.integers(1, 12, 10)
        placed[row, 25:33] = False
    outside = rng.random((k, CELLS)) < 0.1 if rng.random() < 0.5 else None
    return Candidates(tuple(f"c{n}" for n in range(k)), low, high, U, why, placed, outside)


def rows_of(whole: Candidates) -> list[Candidates]:
    """Each candidate alone."""
    alone = []
    for n in range(len(whole.labels)):
        part = slice(n, n + 1)
        names = ("labels", "low", "high", "U", "why", "placed", "outside")
        every = {name: getattr(whole, name) for name in names}
        fields: dict[str, Any] = {name: v if v is None else v[part] for name, v in every.items()}
        alone.append(Candidates(**fields))
    return alone


def computed_late(part: Candidates) -> Candidates:
    """The same with uncertainties that are given only where they are asked for."""
    U = part.U
    assert not isinstance(U, LateU)
    return replace(part, U=LateU(lambda row, at: pick(U, row, at), part.most_U()))


def finding(rule: Rule, parts: list[Candidates], need: int | None) -> Finding:
    worst = WorstCandidates(rule, Grid(0, CELLS, 60))
    for part in parts:
        worst.add(part)
    return worst.finding(need)


def arrays(result: Finding) -> dict[str, object]:
    return {name: v.tolist() if isinstance(v, np.ndarray) else v for name, v in vars(result).items()}


LIMITS = {"both": (19.0, 21.0), "upper": (None, 21.0), "lower": (19.0, None)}


@pytest.mark.parametrize("limits", list(LIMITS))
@pytest.mark.parametrize("r", [1.0, 0.5])
@pytest.mark.parametrize("seed", range(6))
def test_one_by_one_side_by_side_and_with_late_uncertainties_the_finding_is_one(
    build: SimpleNamespace, limits: str, r: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    lower, upper = LIMITS[limits]
    rule = build.rule(lower=lower, upper=upper, r=r)
    whole = candidates(rng, 7, float(MICRO))
    need = None if seed % 2 else 3
    alone = rows_of(whole)
    expected = repr(arrays(finding(rule, alone, need)))
    assert repr(arrays(finding(rule, [whole], need))) == expected
    assert repr(arrays(finding(rule, [computed_late(part) for part in alone], need))) == expected
    assert repr(arrays(finding(rule, [computed_late(whole)], need))) == expected


@pytest.mark.parametrize("limits", list(LIMITS))
@pytest.mark.parametrize("scale", [1e6, 1e15])  # 1e15: counts beyond 2^53, whose differences are rounded
@pytest.mark.parametrize("seed", range(4))
def test_value_and_uncertainty_are_those_of_the_candidate_that_is_named(
    build: SimpleNamespace, limits: str, scale: float, seed: int
) -> None:
    lower, upper = (None if limit is None else limit * scale / MICRO for limit in LIMITS[limits])
    rule = build.rule(lower=lower, upper=upper)
    whole = candidates(np.random.default_rng(seed), 5, scale)
    result = finding(rule, rows_of(whole), 1)
    assert isinstance(whole.U, np.ndarray)
    for cell in np.flatnonzero(result.conformity != Conformity.INDETERMINATE).tolist():
        row = int(result.label[cell])
        above = np.inf if upper is None else np.rint(upper * MICRO) - whole.high[row, cell]
        below = np.inf if lower is None else whole.low[row, cell] - np.rint(lower * MICRO)
        value = whole.high[row, cell] if above <= below else whole.low[row, cell]
        assert (result.value[cell], result.margin[cell]) == (value, min(above, below))
        assert np.array_equal(result.U[cell], whole.U[row, cell], equal_nan=True)


def test_an_unknown_uncertainty_among_known_ones_is_no_evidence(build: SimpleNamespace) -> None:
    rule = build.rule(lower=None, upper=21.0)
    whole = candidates(np.random.default_rng(0), 1, float(MICRO))
    value = np.full((1, CELLS), 20.0 * MICRO)
    U = np.full((1, CELLS), 1e4)
    U[0, 7] = np.nan
    sure = replace(
        whole, low=value, high=value, U=U, why=np.zeros((1, CELLS), np.uint8),
        placed=np.ones((1, CELLS), np.bool_), outside=None,
    )  # fmt: skip
    for part in (sure, computed_late(sure)):
        result = finding(rule, [part], None)
        assert np.flatnonzero(result.conformity == Conformity.INDETERMINATE).tolist() == [7]
        assert result.why[7] == Why.FEW_PROBES
