"""A zone with probes in given media, judged, and its temperatures for a thermal error."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.measurement.temperatures import Lag, Temperatures, part_and_scale
from tests.builders import at, build, judged, rule, series, setup

__all__ = ["build"]

Made = Callable[..., Temperatures]


@pytest.fixture
def warm() -> Made:
    """warm({"T1": ("air", 22.0)}, hours=(8, 10), U=0.2): a day of constant or given temperatures."""

    def build(
        probes: Mapping[str, tuple[str, object]],
        hours: tuple[float, float] = (8.0, 10.0),
        *,
        mastered: float | None = None,
        U: float = 0.2,
        part: Lag | None = None,
        scale: Lag | None = None,
    ) -> Temperatures:
        room = setup((rule(),), {p: (1.0 + i, 1.0, 1.0) for i, p in enumerate(probes)}, U=U)
        places = {p: replace(room.positions[p], medium=medium) for p, (medium, _) in probes.items()}
        room = replace(room, positions=places)
        minutes = (np.arange(1440) + 0.5) / 60  # a reading lies in the middle of its cell
        values = {p: series(v(minutes) if callable(v) else np.full(1440, v)) for p, (_, v) in probes.items()}
        result = part_and_scale(
            judged(room, values),
            room,
            (at(hours[0] if mastered is None else mastered), at(hours[0]), at(hours[1])),
            part or Lag(),
            scale or Lag(),
        )
        assert result is not None
        return result

    return build


@pytest.fixture
def room() -> SimpleNamespace:
    """The builders of the small room."""
    return SimpleNamespace(at=at, rule=rule, setup=setup, series=series, judged=judged)
