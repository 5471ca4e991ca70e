"""Rules on the plane of a zone's probes, as files state them."""

from __future__ import annotations

import re

import pytest

from logger import config
from logger.config.limits import limit_of
from logger.errors import ConfigError


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


def faults(rule: str, heights: str = "") -> list[str]:
    """What is said of a rule on the example's four air probes, brought into one zone; other faults aside."""
    texts = config.read_texts(config.example_folder())
    room = texts["room.toml"].replace('zone = "plate-bench"', 'zone = "machine-bay"')
    if heights:
        room = re.sub(r"(xyz_m = \[[^,]+,[^,]+,) [^\]]+\]", rf"\1 {heights}]", room)
    limits = texts["limits.toml"] + f'\n[rules.machine-bay.flat]\n{rule}\nbasis = "made"\n'
    try:
        config.load_texts(texts | {"room.toml": room, "limits.toml": limits})
    except ConfigError as error:
        return [str(fault) for fault in error.faults if "[rules.machine-bay.flat]" in str(fault)]
    return []


@pytest.mark.parametrize("direction", ["vertical_", "horizontal_", ""])
def test_a_plane_that_can_be_shown_is_accepted(direction: str) -> None:
    assert faults(f"gradient_plane_{direction}K_per_m = 0.6") == []


def test_a_limit_that_no_plane_could_show_is_refused() -> None:
    (text,) = faults("gradient_plane_vertical_K_per_m = 0.01")
    assert "this zone could never be stable" in text


def test_probes_at_one_height_are_refused_for_the_vertical_alone() -> None:
    (text,) = faults("gradient_plane_vertical_K_per_m = 0.6", heights="1.2")
    assert "positions that determine the vertical gradient" in text
    assert faults("gradient_plane_horizontal_K_per_m = 0.6", heights="1.2") == []


def test_four_probes_are_needed() -> None:
    (text,) = faults('gradient_plane_vertical_K_per_m = 0.6\nchannels = ["P1.temperature", "P2.temperature"]')
    assert "at least 4" in text
