"""Channels reduced side by side are what each is alone, whatever gaps, doubts and live edges they have."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.core.evidence import reduction
from logger.core.evidence.cells import Cells, evidence
from logger.core.evidence.grid import Grid
from logger.instants import NS
from logger.series import Readings

PLACES = {f"T{i}": (float(i), 0.0, 1.0) for i in range(5)}


def readings(rng: np.random.Generator, build: SimpleNamespace) -> Readings:
    """Two hours of a probe at an interval of its own, with lost polls, spikes and lost stretches."""
    interval_s = int(rng.choice([20, 60, 90, 170]))
    taken_ns = build.at(10) + np.arange(rng.integers(0, 7200), 7200, interval_s) * NS
    value = np.round(20 + rng.normal(0, 0.05, len(taken_ns)), 2)
    value[rng.random(len(value)) < 0.05] = np.nan
    value[rng.random(len(value)) < 0.02] = 21.5
    keep = rng.random(len(value)) < rng.choice([0.3, 0.9, 1.0])
    zeros = np.zeros(int(keep.sum()))
    return Readings(taken_ns[keep], value[keep], zeros.astype(np.uint8), zeros > 0)


def arrays(cells: Cells) -> dict[str, object]:
    """Everything that can be compared."""
    return {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in vars(cells).items()}


@pytest.mark.slow
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32 - 1), minutes=st.integers(1, 130))
def test_side_by_side_is_one_by_one(build: SimpleNamespace, seed: int, minutes: int) -> None:
    rng = np.random.default_rng(seed)
    room = build.setup((build.rule(),), PLACES, channel={"spike": 0.5, "flat_n": 5, "max_age_s": 180})
    reference = {f"{p}.temperature": readings(rng, build) for p in PLACES if rng.random() < 0.9}
    grid = Grid(build.at(10) // (60 * NS) + int(rng.integers(-5, 60)), minutes, 60)
    now_ns = build.at(12)
    with pytest.MonkeyPatch.context() as patch:
        result = []
        for block in (1, 2 * minutes, 10**6):  # each alone, two at once, all at once
            patch.setattr(reduction, "BLOCK", block)
            cells = evidence("bay", room, reference, grid, now_ns)
            result.append({key: arrays(c) for key, c in cells.items()})
    assert repr(result[0]) == repr(result[1]) == repr(result[2])  # NaN is NaN
    assert list(result[0]) == [f"{p}.temperature" for p in PLACES]
