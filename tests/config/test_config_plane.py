"""Rules on the plane of a zone's probes, as files state them."""

from __future__ import annotations

import pytest

from logger.config.limits import limit_of


@pytest.mark.parametrize(
    ("key", "kind", "direction", "unit", "name"),
    [
        ("gradient_plane_vertical_K_per_m", "plane", "vertical", "K/m", "vertical gradient of the plane"),
        (
            "gradient_plane_horizontal_K_per_m",
            "plane",
            "horizontal",
            "K/m",
            "horizontal gradient of the plane",
        ),
        ("gradient_plane_K_per_m", "plane", "", "K/m", "gradient of the plane"),
        ("gradient_vertical_K_per_m", "gradient", "vertical", "K/m", "vertical gradient"),
        ("spread_K", "spread", "", "K", "spread"),
    ],
)
def test_keys_of_gradients(key: str, kind: str, direction: str, unit: str, name: str) -> None:
    limit = limit_of({key: 0.4}, None)
    assert (limit.kind, limit.direction, limit.unit, limit.name) == (kind, direction, unit, name)
    assert (limit.lower, limit.upper) == (None, 0.4)
