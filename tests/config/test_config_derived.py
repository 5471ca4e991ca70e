"""Limits of dew point, of the air and of condensation, as they stand in limits.toml."""

from __future__ import annotations

import pytest

from logger import config
from logger.config.feasible import rule_U
from logger.core.evidence.cells import evidence
from logger.core.evidence.derived import with_derived
from logger.core.evidence.grid import Grid
from logger.core.rules import condensation
from logger.errors import ConfigError
from logger.model import SURFACES, Rule, Setup

Texts = dict[str, str]


@pytest.fixture(scope="module")
def example() -> Texts:
    return config.read_texts(config.example_folder())


def with_rule(texts: Texts, table: str, *lines: str) -> Setup:
    text = "\n".join([texts["limits.toml"], f"[rules.{table}]", 'basis = "made for a test"', *lines])
    return config.load_texts(texts | {"limits.toml": text}).setup


def rule(setup: Setup, key: str) -> Rule:
    return next(r for r in setup.rules if r.key == key)


def test_condensation_asks_every_surface_of_the_zone(example: Texts) -> None:
    setup = with_rule(example, "machine-bay.condensation", "condensation_margin_K = 2.0")
    built = rule(setup, "machine-bay.condensation")
    assert (built.kind, built.name, built.unit, built.lower, built.upper) == (
        "condensation", "condensation margin", "K", 2.0, None,
    )  # fmt: skip
    assert built.media == SURFACES
    assert not built.disturbs
    assert condensation.sides(built, setup) == (("P3.temperature",), ("P1.dew_point", "P2.dew_point"))


def test_humidity_at_surfaces_has_an_upper_limit(example: Texts) -> None:
    setup = with_rule(example, "plate-bench.surface-humidity", "surface_humidity_percent_RH = 80.0")
    built = rule(setup, "plate-bench.surface-humidity")
    assert (built.name, built.unit, built.lower, built.upper) == ("humidity at surfaces", "%RH", None, 80.0)
    assert condensation.sides(built, setup)[0] == ("P5.temperature",)


def test_the_commented_rules_of_the_example_are_sound(example: Texts) -> None:
    """What a reader may uncomment must load."""
    text = example["limits.toml"]
    begin = text.index("# [rules.machine-bay.condensation]")
    end = text.index("[rules.plate-bench.temperature]")
    live = "\n".join(line.removeprefix("# ") for line in text[begin:end].splitlines())
    setup = config.load_texts(example | {"limits.toml": text[:begin] + live + "\n\n" + text[end:]}).setup
    assert {"machine-bay.condensation", "machine-bay.surface-humidity"} <= {r.key for r in setup.rules}


def test_a_dew_point_is_limited_like_any_channel(example: Texts) -> None:
    """U at 20 degC and 30 %RH, the dry end: 0.47 K per %RH of 1.63 %RH, and 0.0979 K: about 0.77 K."""
    lines = ("upper_degC = 14.0", 'quantity = "dew_point"')
    setup = with_rule(example, "machine-bay.dew-point", *lines)
    built = rule(setup, "machine-bay.dew-point")
    assert setup.channels_of(built) == ("P1.dew_point", "P2.dew_point")
    assert rule_U(built, setup)[0] == pytest.approx(0.77, abs=0.03)
    grid = Grid(0, 3, 60)
    cells = with_derived(evidence("machine-bay", setup, {}, grid, 0), setup, "machine-bay")
    assert {"P1.dew_point", "P2.dew_point"} <= set(cells)


@pytest.mark.parametrize(
    ("key", "quantity", "channel"),
    [
        ("upper_g_per_m3", "absolute_humidity", "P1.absolute_humidity"),
        ("upper_kg_per_m3", "air_density", "P1.air_density"),
        ("upper_per_million", "refractivity", "P1.refractivity"),
    ],
)
def test_limits_of_the_air(example: Texts, key: str, quantity: str, channel: str) -> None:
    setup = with_rule(example, "machine-bay.air", f"{key} = 300.0", f'channels = ["{channel}"]')
    built = rule(setup, "machine-bay.air")
    assert (built.quantity, setup.channels_of(built)) == (quantity, (channel,))
    assert rule_U(built, setup)[0] > 0


@pytest.mark.parametrize(
    ("table", "lines", "expected"),
    [
        ("plate-bench.air", ["upper_kg_per_m3 = 1.3"], "at least 1 channel of air_density"),
        ("machine-bay.c", ["condensation_margin_K = 2.0", 'media = ["part"]'], "a temperature of part"),
        ("machine-bay.c", ["condensation_margin_K = 2.0", 'channels = ["P1.relative_humidity"]'],
         "channels of temperature or dew_point"),
        ("machine-bay.c", ["condensation_margin_K = 2.0", 'quantity = "pressure"'],
         "named by their temperature"),
        ("machine-bay.d", ["upper_degC = 14.0", 'quantity = "dew_point"', 'channels = ["B1.dew_point"]'],
         "'B1.dew_point'"),
        ("machine-bay.d", ["upper_degC = 14.0", 'quantity = "dew_point"', 'channels = ["P4.dew_point"]'],
         "P4.dew_point, which is never in this zone"),
    ],
    ids=["no barometer", "no part", "humidity as surface", "another quantity", "barometer", "another zone"],
)  # fmt: skip
def test_what_cannot_be_is_told(example: Texts, table: str, lines: list[str], expected: str) -> None:
    with pytest.raises(ConfigError, match=r"limits\.toml") as refused:
        with_rule(example, table, *lines)
    assert expected in str(refused.value)
