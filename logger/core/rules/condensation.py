"""Condensation: how far the coldest surface stays above the dew point of the air, or its humidity there.

In K: surface − dew point, with a lower limit. In %RH: the relative humidity that the moisture of the
air has at the surface, 100·e_s(t_d)/e_s(t_surface), with an upper limit; above 100 it condenses.
Every surface against every probe of dew point is a candidate, and the worst is named.

    u²(t_s − t_d)      = u²(t_s) + u²(t_d)
    u²(rh_s) / rh_s²   = (b(t_s)·u(t_s))² + (b(t_d)·u(t_d))²,  b = d ln e_s/dT

A surface whose own temperature the dew point was computed from shares its error: the sensitivities
are then added before they are squared (JCGM 100, 5.2.2). A dew point below 0 degC is that over water.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from ...model import Rule, Setup
from ...series import Float
from ...units import MICRO
from ..evidence.derived import coarse, dew_point_slopes, dew_points
from ..physics.saturation import log_slope_water, saturation_pressure_water
from .finding import Candidates, pair_names
from .inputs import Block, RuleInput


def sides(rule: Rule, setup: Setup) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Channels of surfaces and of dew points. Named ones take the place of all on their side."""
    dew = tuple(key for key in rule.channels if key.endswith(".dew_point") or _measures_dew(key, setup))
    surfaces = tuple(key for key in rule.channels if key not in dew)
    every_surface = setup.channels_of(replace(rule, channels=()))
    return surfaces or every_surface, dew or dew_points(rule, setup)


def _measures_dew(key: str, setup: Setup) -> bool:
    return key in setup.channels and setup.channels[key].quantity == "dew_point"


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate a pair of a surface and a probe of the air's dew point."""
    at_surface = _humidity if rule.unit == "%RH" else _margin
    for surface_key, dew_key in product(*sides(rule, rule_input.setup)):
        surface, dew = rule_input.block([surface_key]), rule_input.block([dew_key])
        low, high = at_surface(surface, dew)
        inputs = rule_input.setup.inputs_of(dew_key)
        yield Candidates(
            pair_names(surface.cells, dew.cells),
            low,
            high,
            _U(
                rule,
                surface,
                dew,
                [rule_input.block([key]) for key in inputs] if surface_key in inputs else [],
            ),
            np.maximum(surface.of("why"), dew.of("why")),
            surface.of("placed") & dew.of("placed"),
            surface.of("outside") | dew.of("outside"),
        )


def _margin(surface: Block, dew: Block) -> tuple[Float, Float]:
    return surface.of("low") - dew.of("high"), surface.of("high") - dew.of("low")


def _humidity(surface: Block, dew: Block) -> tuple[Float, Float]:
    return (
        _humidity_at(surface.of("high"), dew.of("low")),
        _humidity_at(surface.of("low"), dew.of("high")),
    )


def _humidity_at(surface: Float, dew: Float) -> Float:
    ratio = saturation_pressure_water(dew / MICRO) / saturation_pressure_water(surface / MICRO)
    return coarse(100 * ratio)


def _U(rule: Rule, surface: Block, dew: Block, inputs: Sequence[Block]) -> Float:
    """U of the pair; `inputs`: what the dew point follows from, where the surface's own probe is one."""
    t_s, t_d = (_middle(block) for block in (surface, dew))
    by_surface, by_dew = np.ones_like(t_s), np.ones_like(t_d)
    if rule.unit == "%RH":
        at = 100 * saturation_pressure_water(t_d) / saturation_pressure_water(t_s)
        by_surface, by_dew = at * log_slope_water(t_s), at * log_slope_water(t_d)
    U_s, U_d = (block.of("U") / MICRO for block in (surface, dew))
    first, second = by_surface * U_s, by_dew * U_d
    if inputs:
        # t_s is the very temperature inside t_d, so that its error moves both.
        by_t, _ = dew_point_slopes(*(_middle(block) for block in inputs))
        return coarse(_common(first, second, by_t * by_dew * U_s))
    return coarse(np.hypot(first, second))


def _middle(block: Block) -> Float:
    return np.asarray((block.of("low") + block.of("high")) / 2 / MICRO)


def _common(surface: Float, dew: Float, within_dew: Float) -> Float:
    """U of a difference of which a part of the second is the first's own error."""
    rest = np.maximum(dew**2 - within_dew**2, 0.0)
    return np.asarray(np.sqrt((surface - within_dew) ** 2 + rest))
