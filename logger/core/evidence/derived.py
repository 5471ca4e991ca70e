"""Cells of quantities that follow from others of the same probe: dew point, absolute humidity, air.

    dew_point          degC    from temperature and relative humidity
    absolute_humidity  g/m3    likewise
    refractivity       1e-6    (n − 1)·1e6 at 632.991 nm, with pressure
    air_density        kg/m3   with pressure; CIPM-2007 at 15 … 27 degC and 600 … 1100 hPa, else CIPM-81/91

Uncertainty by the law of propagation (JCGM 100, 5.1.2), with the partial derivatives c of the formula:

    u²(y) = Σ c²·u² + 2·|c_t·c_rh|·u_t·u_rh where one certificate covers temperature and humidity

The sign of what the two quantities of one certificate share is not known, so that it counts against
the reading (JCGM 100, 5.2.2 with r = ±1). Within a cell the least and the largest value come from those
of the inputs: a swing is never averaged away. Whole numbers of 1e-5 of the unit, for logarithms of
two machines may differ in the last bit, and those of a sum never do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...model import DERIVED, Certificate, Channel, Rule, Setup
from ...model.reasons import Why
from ...series import Bool, Float
from ...units import MICRO, difference_to_canonical, quantity
from ..physics import air, humidity
from ..physics.saturation import ZERO_K, log_slope_water
from .cells import Cells
from .grid import Grid

HENE_NM = 632.991  # vacuum wavelength of the red He-Ne laser, CIPM recommendation
# Where U of a span is taken beforehand: a dry room, in which a dew point is most uncertain.
NOMINAL = (20.0, 30.0, 101_325.0)
_COARSE = 10  # micro-units to which a derived value is rounded


@dataclass(frozen=True)
class Formula:
    """A derived quantity y of its inputs in canonical units, in the order of DERIVED; arrays of shape (n,).

    slopes: ∂y/∂input; rising: whether y rises with each input; own_U: expanded uncertainty (k = 2) of
    the formula itself.
    """

    value: Callable[..., Float]
    slopes: Callable[..., Sequence[Float]]
    rising: tuple[bool, ...]
    own_U: Callable[[Float], Float]


def dew_point_slopes(t_C: Float, rh_pct: Float) -> tuple[Float, Float]:
    """∂t_d/∂t in K/K and ∂t_d/∂rh in K/%RH, from ln e_s(t_d) = ln(rh/100) + ln e_s(t).

    >>> [round(float(c), 3) for c in dew_point_slopes(np.array(20.0), np.array(60.0))]
    [0.939, 0.253]
    """
    at_dew = log_slope_water(humidity.dew_point(t_C, rh_pct))
    return log_slope_water(t_C) / at_dew, 1 / (np.where(rh_pct > 0, rh_pct, np.nan) * at_dew)


def _absolute_slopes(t_C: Float, rh_pct: Float) -> tuple[Float, Float]:
    """∂a/∂t and ∂a/∂rh of a = e/(R_v·T)."""
    per_rh = humidity.absolute_humidity(t_C, np.ones_like(t_C))
    return per_rh * rh_pct * (log_slope_water(t_C) - 1 / (t_C + ZERO_K)), per_rh


def _refractivity(t_C: Float, rh_pct: Float, p_Pa: Float) -> Float:
    return np.asarray((air.refractive_index(HENE_NM, t_C, p_Pa, rh_pct) - 1) * 1e6)


def _refractivity_slopes(t_C: Float, rh_pct: Float, p_Pa: Float) -> tuple[Float, ...]:
    s = air.sensitivity(HENE_NM, t_C, p_Pa, rh_pct)
    return s.per_K * 1e6, s.per_pct_rh * 1e6, s.per_Pa * 1e6


def _density(t_C: Float, rh_pct: Float, p_Pa: Float) -> Float:
    """By CIPM-2007 where it holds, in a measuring room; by CIPM-81/91, 7e-5 of it lower, elsewhere."""
    new = air.density_2007(t_C, p_Pa, rh_pct)
    return np.asarray(np.where(np.isfinite(new), new, air.density(t_C, p_Pa, rh_pct)))


def _density_slopes(t_C: Float, rh_pct: Float, p_Pa: Float) -> tuple[Float, ...]:
    # One-sided in humidity, which has an end at 0 and at 100 and is linear but for 1e-4 of it.
    step = np.where(rh_pct > 50, -1.0, 1.0)

    def rho(dt: float = 0.0, drh: float | Float = 0.0, dp: float = 0.0) -> Float:
        # CIPM-81/91, which has no end in a room; the slopes of both are the same to 1e-4.
        return air.density(t_C + dt, p_Pa + dp, rh_pct + drh)

    per_K, per_Pa = (rho(dt=0.05) - rho(dt=-0.05)) / 0.1, (rho(dp=50) - rho(dp=-50)) / 100
    return per_K, (rho(drh=step) - rho()) / step, per_Pa


FORMULAS: Mapping[str, Formula] = {
    # The published formulas for e_s differ by 0.025 %, which is 0.004 K of dew point.
    "dew_point": Formula(
        humidity.dew_point, dew_point_slopes, (True, True), lambda y: np.full_like(y, 0.004)
    ),
    # Real air holds up to 0.5 % more than an ideal gas: a rectangle of that half-width.
    "absolute_humidity": Formula(
        humidity.absolute_humidity, _absolute_slopes, (True, True), lambda y: 2 * 0.005 * y / np.sqrt(3)
    ),
    # Ciddor 1996: a few parts in 1e8.
    "refractivity": Formula(
        _refractivity, _refractivity_slopes, (False, False, True), lambda y: np.full_like(y, 0.05)
    ),
    # Davis 1992: 1e-4 of the density, standard uncertainty; CIPM-2007 states 2.2e-5.
    "air_density": Formula(_density, _density_slopes, (False, False, True), lambda y: 2e-4 * y),
}


def with_derived(cells: Mapping[str, Cells], setup: Setup, zone: str) -> dict[str, Cells]:
    """The cells of a zone and those of every derived channel that one of its rules takes."""
    keys = {key for rule in setup.rules if rule.zone == zone for key in _channels_used_by(rule, setup)}
    derived = {key: derived_cells(key, cells, setup) for key in sorted(keys) if setup.inputs_of(key)}
    return {**cells, **derived}


def _channels_used_by(rule: Rule, setup: Setup) -> tuple[str, ...]:
    if rule.kind != "condensation":
        return setup.channels_of(rule)
    return rule.channels + dew_points(rule, setup)


def dew_points(rule: Rule, setup: Setup) -> tuple[str, ...]:
    """Channels of dew point, measured or derived, of the air in a rule's zone."""
    return setup.channels_of(replace(rule, quantity="dew_point", media=("air",), channels=()))


def cells_in_air(cells: Mapping[str, Cells], setup: Setup, zone: str) -> dict[str, Cells]:
    """Cells of everything that follows from what the probes in a zone's air measure."""
    probes = sorted({cell.channel.probe for cell in cells.values()})
    air_probes = [p for p in probes if _was_in_air(p, setup, zone)]
    keys = [f"{probe}.{of}" for probe in air_probes for of in DERIVED]
    return {
        key: cells[key] if key in cells else derived_cells(key, cells, setup)
        for key in keys
        if key in cells or (setup.inputs_of(key) and set(setup.inputs_of(key)) <= set(cells))
    }


def _was_in_air(probe: str, setup: Setup, zone: str) -> bool:
    places = [setup.positions[p.position] for p in setup.placements if p.probe == probe]
    return any(place.zone == zone and place.medium == "air" for place in places)


def derived_cells(key: str, cells: Mapping[str, Cells], setup: Setup) -> Cells:
    """Cells of one derived channel; `cells` must hold its inputs."""
    inputs = [cells[k] for k in setup.inputs_of(key)]
    derived = _derive_cells(key, inputs, setup)
    if all(c.as_read is None for c in inputs):
        return derived
    return replace(derived, as_read=_derive_cells(key, [c.as_read or c for c in inputs], setup))


def _derive_cells(key: str, inputs: Sequence[Cells], setup: Setup) -> Cells:
    of = key.rpartition(".")[2]
    formula = FORMULAS[of]
    low = _value(formula, [c.low if up else c.high for c, up in zip(inputs, formula.rising, strict=True)])
    high = _value(formula, [c.high if up else c.low for c, up in zip(inputs, formula.rising, strict=True)])
    mean = _value(formula, [c.mean for c in inputs])
    U = _U(formula, inputs, _share_certificate(inputs, setup))
    first_input = inputs[0]
    return Cells(
        channel=derived_channel(key, [c.channel for c in inputs]),
        grid=first_input.grid,
        low=low,
        high=high,
        mean=mean,
        U=U,
        count=np.where(np.isfinite(mean), np.minimum.reduce([c.count for c in inputs]), 0),
        why=_why(inputs, low),
        placed=first_input.placed,
        first_ns=np.maximum.reduce([c.first_ns for c in inputs]),
        last_ns=np.maximum.reduce([c.last_ns for c in inputs]),
        inside_ns=np.maximum.reduce([c.inside_ns for c in inputs]),
        outside=np.logical_or.reduce([c.outside for c in inputs]),
        open_run_from=min(c.open_run_from for c in inputs),
    )


def coarse(value: Float) -> Float:
    """A value in its canonical unit as whole micro-units, rounded to 1e-5 of the unit."""
    return np.asarray(np.rint(value * (MICRO / _COARSE)) * _COARSE)


def _value(formula: Formula, inputs: Sequence[Float]) -> Float:
    return coarse(formula.value(*(x / MICRO for x in inputs)))


def _why(inputs: Sequence[Cells], value: Float) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """The worst reason of the inputs; outside the range of the formula the value supports nothing either."""
    why = np.maximum.reduce([c.why for c in inputs])
    away = [~c.placed for c in inputs[1:]]
    why[np.logical_or.reduce(away)] = Why.NO_PROBE
    why[~np.isfinite(value) & (why == Why.EVIDENCE)] = Why.OUTSIDE_RANGE
    return np.asarray(why, np.uint8)


def _U(formula: Formula, inputs: Sequence[Cells], shared: Bool) -> Float:
    """Expanded uncertainty (k = 2), whole micro-units, at the middle of each cell."""
    middle = [(c.low + c.high) / 2 / MICRO for c in inputs]
    parts = [slope * c.U / MICRO for slope, c in zip(formula.slopes(*middle), inputs, strict=True)]
    squared = np.add.reduce([part**2 for part in parts]) + formula.own_U(formula.value(*middle)) ** 2
    squared = squared + np.where(shared, 2 * np.abs(parts[0] * parts[1]), 0.0)
    return coarse(np.sqrt(squared))


def _share_certificate(inputs: Sequence[Cells], setup: Setup) -> Bool:
    """Where the certificates of temperature and humidity in use are one paper."""
    grid = inputs[0].grid
    numbers = [_numbers(c.channel, setup, grid) for c in inputs[:2]]
    return np.asarray((numbers[0] == numbers[1]) & (numbers[0] != ""))


def _numbers(channel: Channel, setup: Setup, grid: Grid) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Number of the certificate in use at the start of each cell; "" before the first."""
    numbers = np.full(grid.n, "", np.object_)
    for certificate in setup.certificates_of(channel.key):
        numbers[grid.clip(certificate.valid_from_ns, None)] = certificate.number
    return numbers


def derived_channel(key: str, inputs: Sequence[Channel]) -> Channel:
    """A channel that no one samples: as slow as its slowest input; noise and resolution at NOMINAL."""
    probe, _, of = key.rpartition(".")
    return Channel(
        key=key,
        probe=probe,
        quantity=of,
        unit=quantity(of).unit,
        interval_s=max(c.interval_s for c in inputs),
        max_age_s=max(c.max_age_s for c in inputs),
        resolution=_nominal(of, inputs, [c.resolution for c in inputs]),
        noise=_nominal(of, inputs, [c.noise for c in inputs]),
        probe_span=(float("-inf"), float("inf")),
    )


def _nominal(of: str, inputs: Sequence[Channel], values: Sequence[float]) -> float:
    """What `each`, in the inputs' units, amounts to in the derived quantity at NOMINAL."""
    slopes = FORMULAS[of].slopes(*(np.array(x) for x in NOMINAL[: len(inputs)]))
    canonical = [difference_to_canonical(x, c.unit, c.quantity) for x, c in zip(values, inputs, strict=True)]
    return float(np.sqrt(sum((c * x) ** 2 for c, x in zip(slopes, canonical, strict=True))))


def nominal_U(of: str, U: Sequence[float], certificates: Sequence[Sequence[Certificate]]) -> float:
    """Expanded uncertainty of a derived quantity at NOMINAL from those of its inputs in canonical units.

    For questions asked before there are readings; `certificates` of each input, newest last.
    """
    at = [np.array(x) for x in NOMINAL[: len(U)]]
    formula = FORMULAS[of]
    parts = [float(c) * u for c, u in zip(formula.slopes(*at), U, strict=True)]
    numbers = [{c.number for c in used} for used in certificates[:2]]
    common = 2 * abs(parts[0] * parts[1]) if numbers[0] & numbers[1] else 0.0
    formula_U = float(formula.own_U(formula.value(*at)))
    return float(np.sqrt(sum(part**2 for part in parts) + common + formula_U**2))
