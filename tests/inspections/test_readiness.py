"""When a zone with declared bodies will be ready: only where every body's temperature is known."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from logger.core.judge.body_temperature import AirMemory, BodyTrack, TrackState
from logger.inspections.readiness import _bodies_left_s

TABLE = SimpleNamespace(tau_s=3600.0, lower=19.0, upper=21.0)
WARM, AIR = BodyTrack(22_000_000, 22_000_000, 22_000_000), AirMemory(20_000_000)


def test_a_body_whose_air_was_never_seen_leaves_the_time_unknown() -> None:
    """The first body alone: from 22 to 21 degC in air of 20 degC, ln 2 of an hour, in whole cells."""
    first = SimpleNamespace(bodies=(TABLE,))
    two = SimpleNamespace(bodies=(TABLE, TABLE))
    assert _bodies_left_s(first, TrackState((WARM,), (AIR,)), 60) == pytest.approx(3600 * 0.6931, abs=60)  # type: ignore[arg-type]
    for tracks in (TrackState((WARM, None), (AIR, AirMemory())), TrackState((), ())):
        assert _bodies_left_s(two, tracks, 60) is None  # type: ignore[arg-type]
