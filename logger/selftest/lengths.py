"""Cases of thermal errors in µm: of an inspection, its variation, the order of lines; and all of budgets."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..core.measurement.temperatures import SideTemperature, Temperatures
from ..core.measurement.thermal_error import (
    DriftCheck,
    Feature,
    ThermalError,
    Work,
    largest_um,
    thermal_error,
    thermal_errors,
)
from ..core.physics.expansion import IDEAL, Material, material_of
from ..series import Float
from .case import Case, CaseGroup
from .length_budgets import ISO, RECT, TEI, budget_cases, gauge_block_cases, index_cases

STEEL, ALUMINIUM = material_of("steel"), material_of("aluminium")


def cases() -> Iterator[Case]:
    """All of them."""
    yield from gauge_block_cases()
    yield from budget_cases()
    yield from index_cases()
    yield from _errors()
    yield from _variation()
    yield from _order()


def made_tracks(
    part: object, scale: object, *, u_own: float = 0.0, u_shared: float = 0.0, span_K: float = 0.0
) -> Temperatures:
    """Tracks of given temperatures minute by minute, part and scale uncertain alike."""
    p, s = (np.atleast_1d(np.asarray(x, np.float64)) for x in (part, scale))
    both = [SideTemperature(v, float(v.mean()), u_own, ("T1",), "measured") for v in (p, s)]
    return Temperatures(both[0], both[1], p, u_shared, span_K, float(p[0] - s[0]), 60.0, ())


def _errors() -> Iterator[Case]:
    group = CaseGroup("thermal error: of an inspection", ISO)
    feature = Feature(500.0, STEEL, 100.0)

    def error(tracks: Temperatures, work: Work, of: Feature = feature) -> ThermalError:
        return thermal_error(tracks, of, work)

    warm = made_tracks(22.0, 20.0, u_own=0.2 * RECT)
    yield group.case(
        "required: 500 mm of steel, 22 degC, ideal scale: NDE, U, share of 100 µm",
        (11.5, 1.88, 0.1338),
        lambda: _three(error(warm, Work(IDEAL))),
        0.005,
        "required: " + ISO,
    )
    yield group.case(
        "corrected: NDE adds nothing to the share",
        0.0188,
        lambda: error(warm, Work(IDEAL, compensated=True)).share_of_tolerance,
        5e-5,
    )
    yield group.case(
        "required: aluminium on a steel scale, both at 21 degC, µm",
        5.8,
        lambda: error(made_tracks(21.0, 21.0), Work(STEEL), Feature(500.0, ALUMINIUM)).nde_um,
        1e-9,
    )
    item = made_tracks(22.0, 22.0, u_shared=0.5)
    ideal = replace(STEEL, half_width_per_K=0.0)
    yield group.case(
        "required: steel on steel, one air probe: u(T) adds nothing",
        0.0,
        lambda: error(item, Work(ideal), Feature(500.0, ideal)).U_um,
    )
    b89 = Work(STEEL, adding_up="b89", drift=DriftCheck(1.5))
    al = Feature(250.0, ALUMINIUM, 50.0)
    off = made_tracks(22.5, 22.5)
    yield group.case(
        "by B89.6.2: share, TEI, UNDE, no U",
        (0.21825, 21.825, 2.1625, None, None),
        lambda: _b89(error(off, b89, al)),
        1e-9,
        TEI,
    )
    yield group.case(
        "and corrected",
        0.07325,
        lambda: error(off, replace(b89, compensated=True), al).share_of_tolerance,
        1e-9,
        TEI,
    )
    bounds = (
        ("nominal differential expansion", 7.25),
        ("expansion of the part", 1.44375),
        ("expansion of the scale", 0.71875),
        ("temperature variation error", 1.5),
    )
    yield group.case("its lines, µm", bounds, lambda: _named(error(off, b89, al)), 1e-9, TEI)
    yield group.case(
        "no line for a bias that was corrected",
        3,
        lambda: len(error(off, replace(b89, compensated=True), al).contributions),
        0,
        TEI,
    )
    yield group.case(
        "lines of nothing are left out",
        ("expansion of the part",),
        lambda: tuple(n for n, _ in _named(error(made_tracks(22.0, 22.0), Work(IDEAL)))),
    )
    for mean, u, case in (
        (20.4, 0.2, "mean at 20 °C"),
        (20.41, 0.2, "off 20 °C and not corrected"),
        (19.59, 0.2, "off 20 °C and not corrected"),
        (20.0, 0.0, "mean at 20 °C"),
    ):
        near = made_tracks(mean, mean, u_shared=u)
        yield group.case(f"mean {mean:g} degC, u {u:g} K", case, lambda t=near: error(t, Work(STEEL)).case)
    split = made_tracks(20.49, 20.0, u_own=0.15, u_shared=0.2)
    yield group.case(
        "own and shared u make 0.25 K together: 0.49 K off is at 20",
        "mean at 20 °C",
        lambda: error(split, Work(STEEL)).case,
    )
    yield group.case(
        "one side off 20 is off 20",
        "off 20 °C and corrected",
        lambda: error(made_tracks(20.51, 20.0, u_own=0.25), Work(STEEL, compensated=True)).case,
    )
    for allowed, within in ((0.07325, True), (0.07324, False), (None, None)):
        work = replace(b89, compensated=True, share_allowed=allowed)
        yield group.case(
            f"share 0.07325 against {allowed} allowed", within, lambda w=work: error(off, w, al).within_share
        )


def _three(e: ThermalError) -> tuple[float, float | None, float | None]:
    return e.nde_um, e.U_um, e.share_of_tolerance


def _b89(e: ThermalError) -> tuple[object, ...]:
    return e.share_of_tolerance, e.tei_pct, e.unde_um, e.U_um, e.k


def _named(e: ThermalError) -> tuple[tuple[str, float], ...]:
    return tuple((c.name, c.um) for c in e.contributions)


def _variation() -> Iterator[Case]:
    group = CaseGroup("thermal error: variation", ISO)
    n = 240
    ramp = np.linspace(19.9, 20.7, n)
    cycle = 20.0 + 0.4 * np.sin(2 * np.pi * (np.arange(n) + 0.5) / 24)
    bare = Feature(1000.0, replace(STEEL, half_width_per_K=0.0))
    steady = np.full(n, 20.0)

    def error(part: Float, work: Work, span_K: float = 0.0) -> ThermalError:
        return thermal_error(made_tracks(part, steady, span_K=span_K), bare, work)

    yield group.case(
        "drift of a ramp of 0.8 K from mastering on, 1 m of steel, µm",
        9.2,
        lambda: error(ramp, Work(IDEAL)).ed_um,
        1e-9,
    )
    there = 20.0 + np.array([0.1, -0.3, 0.4, 0.0])
    yield group.case(
        "its largest departure from the first, not from the mean",
        (4.6, 4.6),
        lambda: _drift(bare, there),
        1e-9,
    )
    yield group.case(
        "largest Δ at any time, µm",
        4.6,
        lambda: largest_um(made_tracks(there, np.full(4, 20.0)), bare, Work(IDEAL)),
        1e-9,
    )
    unseen = np.array([20.1, np.nan, 20.3])
    yield group.case("time without evidence is left out", 2.3, lambda: _drift(bare, unseen)[0], 1e-9)
    yield group.case(
        "even: half-range/√3, k = 2", (9.2 / math.sqrt(3), 2.0), lambda: _U_k(error(ramp, Work(IDEAL))), 1e-9
    )
    whole = 1000 * 11.5e-3 * float(np.ptp(cycle))
    yield group.case(
        "one cycle dominates: half-range/√2",
        whole / math.sqrt(2),
        lambda: error(cycle, Work(IDEAL)).U_um,
        1e-9,
    )
    yield group.case(
        "corrected point by point, a variation does not add",
        0.0,
        lambda: error(ramp, Work(IDEAL, point_by_point=True)).U_um,
    )
    for span, at, tve in ((0.5, 0.5, 3.0), (1.0, 0.5, 6.0), (0.2, 0.5, 3.0), (1.0, 0.0, 3.0)):
        work = Work(IDEAL, drift=DriftCheck(3.0, at))
        yield group.case(
            f"drift check of 3 µm at a span of {at:g} K, room now {span:g} K",
            (tve, tve / math.sqrt(3)),
            lambda w=work, s=span: _tve_U(error(steady, w, s)),
            1e-9,
        )
    work = Work(IDEAL, drift=DriftCheck(3.0, 0.5, "2026-01-02"))
    for span, expected in (
        (1.0, "drift check of 2026-01-02 at a span of 0.5 K, scaled by 2"),
        (0.5, "drift check of 2026-01-02 at a span of 0.5 K"),
    ):
        yield group.case(
            f"what is told of it at {span:g} K", expected, lambda s=span: error(steady, work, s).tve_source
        )
    yield group.case(
        "a drift check of unknown span",
        "drift check",
        lambda: error(steady, Work(IDEAL, drift=DriftCheck(3.0)), 1.0).tve_source,
    )
    slope = Work(IDEAL, um_per_K=-3.0)
    yield group.case(
        "−3 µm/K of a check standard times 0.5 K",
        (1.5, 1.5 / math.sqrt(3)),
        lambda: _tve_U(error(steady, slope, 0.5)),
        1e-9,
    )
    both = Work(IDEAL, um_per_K=3.0, drift=DriftCheck(2.0))
    yield group.case(
        "a drift check comes before a check standard", 2.0, lambda: error(steady, both, 0.5).tve_um
    )


def _U_k(e: ThermalError) -> tuple[float | None, float | None]:
    return e.U_um, e.k


def _drift(feature: Feature, part: Float) -> tuple[float, float]:
    result = thermal_error(made_tracks(part, np.full(len(part), 20.0)), feature, Work(IDEAL))
    return result.ed_um, result.tve_um


def _tve_U(e: ThermalError) -> tuple[float, float | None]:
    return e.tve_um, e.U_um


def _order() -> Iterator[Case]:
    group = CaseGroup("thermal error: order")
    tracks = made_tracks(22.0, 22.0)
    reference, worse = Feature(100.0, ALUMINIUM, 10.0, "a"), Feature(100.0, ALUMINIUM, 5.0, "b")
    open_, larger = Feature(100.0, ALUMINIUM, None, "c"), Feature(200.0, ALUMINIUM, None, "d")
    yield group.case(
        "no tolerance first, the larger first, then the greater share",
        ("d", "c", "b", "a"),
        lambda: tuple(
            e.feature for e in thermal_errors(tracks, (reference, open_, worse, larger), Work(STEEL))
        ),
    )
    cold: Material = replace(ALUMINIUM, half_width_per_K=0.0)
    shrunk, grown = Feature(100.0, cold, None, "shrunk"), Feature(90.0, cold, None, "grown")
    yield group.case(
        "a part that shrank by more is the worse",
        ("shrunk", "grown"),
        lambda: tuple(
            e.feature for e in thermal_errors(made_tracks(18.0, 20.0), (grown, shrunk), Work(STEEL))
        ),
    )
    yield group.case(
        "without a tolerance neither share nor index",
        (None, None, None),
        lambda: _open(thermal_error(tracks, open_, Work(STEEL, share_allowed=0.2))),
    )
    yield group.case(
        "as data: µm to a millionth",
        (4.62, 2.3),
        lambda: _as_data(thermal_error(tracks, reference, Work(STEEL, adding_up="b89"))),
        1e-9,
    )


def _open(e: ThermalError) -> tuple[object, object, object]:
    return e.share_of_tolerance, e.tei_pct, e.within_share


def _as_data(e: ThermalError) -> tuple[float, float]:
    body = e.to_dict()
    part, scale = (100 * side.alpha_per_K * 1e3 * 2 for side in (ALUMINIUM, STEEL))
    if body["nde_um"] != round(part - scale, 6) or body["contributions"][0]["um"] != round(part - scale, 6):
        raise AssertionError(f"nde_um: expected {part - scale}, found {body}")
    return part, scale
