"""Cases of differences in space: gradients, spread, condensation; and of what a certificate states."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ..core.measurement.check import Check
from ..core.measurement.conditions import Extent, conditions_statement, quantity_extents, round_outward
from ..core.physics.saturation import saturation_pressure_water
from ..core.rules.finding import Finding
from ..core.rules.plane import Fit
from ..errors import Refused
from ..model import Plate, Position, Verdict
from ..units import MICRO
from .case import Case, CaseGroup, refused
from .room import at, rule, series, setup
from .room import judged as judged_room
from .rules import cell, finding_of, word

GRADIENT: Mapping[str, Any] = {
    "name": "gradient", "kind": "gradient", "lower": None, "upper": 0.5, "unit": "K/m", "disturbs": False,
}  # fmt: skip
Places = Mapping[str, tuple[float, float, float]]
CORNERS: Places = {
    "T1": (0.5, 0.5, 0.4), "T2": (6.5, 0.7, 2.6), "T3": (0.6, 4.4, 2.5), "T4": (6.4, 4.6, 0.5),
    "T5": (3.4, 2.4, 1.5),
}  # fmt: skip


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _pairs()
    yield from _spread()
    yield from _plane()
    yield from _determined()
    yield from _condensation()
    yield from _bending()
    yield from _outward()
    yield from _stated()


def _pairs() -> Iterator[Case]:
    group = CaseGroup("gradient of a pair", "|ΔT|/d, U in quadrature, JCGM 100:2008, 5.1; by hand")
    slanted: Places = {"T1": (0.0, 0.0, 0.0), "T2": (3.0, 0.0, 4.0)}
    values = {"T1": 20.0, "T2": 20.6}
    yield group.case(
        "0.6 K over 3 m across and 4 m up, along the pair",
        ("CONFORMING", 0.12, 0.38, False, "T1–T2"),
        lambda: cell(_of("pair", values, slanted, U=0.05)),
        1e-6,
    )
    for direction in ("vertical", "horizontal"):
        yield group.case(
            f"the same pair, which leans 37° from plumb, {direction}",
            "ILL_CONDITIONED",
            lambda d=direction: word(_of(d, values, slanted, U=0.05)),
        )
    yield from _leaning(group)
    yield group.case(
        "U of two of 0.1 K, 2 m apart, each known to 20 mm, K/m",
        math.hypot(math.hypot(0.1, 0.1) / 2, 2 * 0.6 * math.hypot(0.02, 0.02) / 4),
        lambda: _of("vertical", values, {"T1": (0, 0, 0), "T2": (0, 0, 2.0)}, U=0.1).U[-1] / MICRO,
        1e-6,
    )
    for apart, judged in ((0.5, 1), (0.4999, 0)):
        yield group.case(
            f"pairs {apart:g} m apart where 0.5 m are asked for",
            judged,
            lambda d=apart: len(
                _of("vertical", values, {"T1": (0, 0, 0), "T2": (0, 0, d)}, d_min_m=0.5).labels
            ),
        )
    third: Places = {"T1": (0, 0, 0), "T2": (0, 0, 1.0), "T3": (0, 0, 3.0)}
    yield group.case(
        "the steepest of three pairs is named",
        (0.6, "T1–T2"),
        lambda: cell(_of("vertical", {"T1": 20.0, "T2": 20.6, "T3": 20.9}, third, U=0.01))[1:5:3],
        1e-6,
    )


def _leaning(group: CaseGroup) -> Iterator[Case]:
    """A pair counts as vertical (horizontal) within 10° of plumb (level), and its whole distance counts."""
    for lean, expected in ((9.995, "vertical"), (10.005, ""), (79.995, ""), (80.005, "horizontal")):
        at = (2 * math.sin(math.radians(lean)), 0.0, 2 * math.cos(math.radians(lean)))
        for direction in ("vertical", "horizontal"):
            speaks = expected == direction
            yield group.case(
                f"0.6 K over 2 m that lean {lean:.3f}° from plumb, {direction}",
                0.3 if speaks else "ILL_CONDITIONED",
                lambda d=direction, p=at, s=speaks: _along(d, p) if s else word(_over(d, p)),
                1e-6,
            )


def _over(direction: str, place: tuple[float, float, float]) -> Finding:
    return _of(direction, {"T1": 20.0, "T2": 20.6}, {"T1": (0.0, 0.0, 0.0), "T2": place}, U=0.05)


def _along(direction: str, place: tuple[float, float, float]) -> float:
    return float(_over(direction, place).value[-1]) / MICRO


def _of(direction: str, values: Mapping[str, object], places: Places, **changed: Any) -> Finding:
    """The finding of a rule on the gradient in that direction."""
    options = {key: changed.pop(key) for key in ("d_min_m",) if key in changed}
    return finding_of(
        rule(**{**GRADIENT, "direction": direction, **options}), values, places=places, **changed
    )


def _spread() -> Iterator[Case]:
    group = CaseGroup(
        "spread", "max − min of all probes, U of a pair in quadrature, JCGM 100:2008, 5.1; by hand"
    )
    limit = rule(**{**GRADIENT, "name": "spread", "kind": "spread", "unit": "K"})
    near: Places = {"T1": (1, 1, 1), "T2": (1, 1, 1.01), "T3": (2, 1, 1)}
    values = {"T1": 20.1, "T2": 19.9, "T3": 20.2}
    yield group.case(
        "19.9 to 20.2 degC, 10 mm apart or 1 m",
        ("CONFORMING", 0.3, 0.2, False, "T2–T3"),
        lambda: cell(finding_of(limit, values, places=near, U=0.05)),
        1e-6,
    )
    yield group.case(
        "its U of two of 0.05 K",
        0.05 * math.sqrt(2),
        lambda: finding_of(limit, values, places=near, U=0.05).U[-1] / MICRO,
        1e-6,
    )


def _plane() -> Iterator[Case]:
    group = CaseGroup("gradient of the plane", "a plane T = 20 + g·x, g = (0.06, −0.08, 0.30) K/m; by hand")
    values = {p: 20.0 + float(np.dot((0.06, -0.08, 0.30), xyz)) for p, xyz in CORNERS.items()}
    for direction, expected in (("vertical", 0.30), ("horizontal", 0.10), ("", math.sqrt(0.10))):
        yield group.case(
            f"{direction or 'whole'}, K/m",
            expected,
            lambda d=direction: (
                finding_of(
                    rule(**{**GRADIENT, "kind": "plane", "direction": d}), values, places=CORNERS
                ).value[-1]
                / MICRO
            ),
            2e-5,
        )
    x = np.array(list(CORNERS.values()))
    P = np.linalg.pinv(x - x.mean(axis=0))[2]
    yield group.case(
        "U of the vertical component of five of 0.06 K, positions exact",
        0.06 * float(np.sqrt(P @ P)),
        lambda: float(_fitted(CORNERS, values, U=0.06, u_m=0.0)[1]),
        1e-9,
        source="pseudo-inverse by numpy; JCGM 100:2008, 5.1.2",
    )
    yield group.case(
        "and where there is no gradient at all",
        (0.0, 0.06 * float(np.sqrt(P @ P))),
        lambda: _fitted(CORNERS, dict.fromkeys(CORNERS, 20.0), U=0.06, u_m=0.02),
        1e-9,
        source="pseudo-inverse by numpy; JCGM 100:2008, 5.1.2",
    )
    pole: Places = {f"T{n}": (1.0, 2.0, 0.5 * n) for n in range(4)}
    yield group.case(
        "four probes of 0.06 K on a pole, 0.5 m apart, 0.2 K/m",
        (0.2, 0.06 / math.sqrt(0.75**2 + 0.25**2 + 0.25**2 + 0.75**2)),
        lambda: _fitted(pole, {p: 20.0 + 0.2 * at[2] for p, at in pole.items()}, U=0.06, u_m=0.0),
        1e-9,
        source="slope of a straight line, JCGM 100:2008, H.3; by hand",
    )
    size = math.sqrt(0.10)
    yield group.case(
        "and of positions of 20 mm: an error δx acts as g·δx",
        math.hypot(0.06, 2 * size * 0.02) * float(np.sqrt(P @ P)),
        lambda: float(_fitted(CORNERS, values, U=0.06, u_m=0.02)[1]),
        1e-9,
        source="pseudo-inverse by numpy; JCGM 100:2008, 5.1.2",
    )


def _fitted(places: Places, values: Mapping[str, float], *, U: float, u_m: float) -> tuple[Any, Any]:
    fit = Fit.of([Position(p, p, "bay", "air", xyz, u_m) for p, xyz in places.items()])
    T = np.array([[values[p]] for p in places])
    value, expanded = fit.component("vertical", T, np.full(T.shape, U), np.zeros(T.shape))
    return value[0], expanded[0]


def _determined() -> Iterator[Case]:
    group = CaseGroup(
        "what positions determine",
        "condition number s_max/s_k of the centred positions, at most 100 for a component; by hand",
    )
    for name, places, expected in (
        ("a pole", [(1.0, 2.0, 0.5 * n) for n in range(4)], ("", "vertical")),
        ("a row", [(1.5 * n, 2.0, 1.0) for n in range(4)], ("", "horizontal")),
        ("one height", [(0, 0, 1), (5, 0, 1), (0, 4, 1), (5, 4, 1)], ("horizontal",)),
        ("one point", [(1.0, 1.0, 1.0)] * 4, ()),
        ("three probes", [(0, 0, 1), (5, 0, 1), (0, 4, 2)], ()),
        ("a pole that leans by 9.6 degrees", [(0.17 * n, 0, 1.0 * n) for n in range(4)], ("", "vertical")),
        ("a pole that leans by 10.2 degrees", [(0.18 * n, 0, 1.0 * n) for n in range(4)], ("",)),
        ("a row that rises by 9.6 degrees", [(1.0 * n, 0, 0.17 * n) for n in range(4)], ("", "horizontal")),
        ("a row that rises by 10.2 degrees", [(1.0 * n, 0, 0.18 * n) for n in range(4)], ("",)),
    ):
        positions = [Position(f"T{n}", "", "bay", "air", xyz) for n, xyz in enumerate(places)]
        yield group.case(name, expected, lambda at=positions: tuple(sorted(Fit.of(at).determined)))


def _condensation() -> Iterator[Case]:
    group = CaseGroup("condensation", "surface less dew point; U in quadrature, JCGM 100:2008, 5.1; by hand")
    limit = rule(
        name="condensation", kind="condensation", media=("part",),
        channels=("T1.temperature", "D1.dew_point"), lower=2.0, upper=None, unit="K", disturbs=False,
    )  # fmt: skip
    room: Mapping[str, Any] = {
        "places": {"T1": (1, 1, 1), "D1": (2, 1, 1)}, "media": {"T1": "part"},
        "quantities": {"D1": ("dew_point",)}, "U": {"temperature": 0.3, "dew_point": 0.4},
    }  # fmt: skip
    for surface, result in ((12.6, "CONFORMING"), (12.4, "GUARD_BAND"), (11.9, "NONCONFORMING")):
        yield group.case(
            f"a part of {surface:g} degC, dew point 10 degC, 2 K wanted, U 0.5 K",
            (result, surface - 10.0),
            lambda t=surface: cell(finding_of(limit, {"T1": t, "D1.dew_point": 10.0}, **room))[:2],
            1e-6,
        )
    yield group.case(
        "U of 0.3 and 0.4 K",
        0.5,
        lambda: finding_of(limit, {"T1": 12.6, "D1.dew_point": 10.0}, **room).U[-1] / MICRO,
        1e-4,
    )

    limit = rule(
        name="at the surface", kind="condensation", media=("part",), upper=80.0, lower=None, unit="%RH",
        channels=("T1.temperature", "D1.dew_point"), disturbs=False,
    )  # fmt: skip
    damp = 100 * 1227.995 / 2064.292
    yield group.case(
        "relative humidity at a part of 18 degC, dew point 10 degC",
        ("CONFORMING", damp),
        lambda: cell(finding_of(limit, {"T1": 18.0, "D1.dew_point": 10.0}, **room))[:2],
        0.001,
        source="saturation pressures by Hyland & Wexler 1983 in values.csv: 1227.995 and 2064.292 Pa",
    )
    slope = {t: 1e5 * (_log_pressure(t + 5e-6) - _log_pressure(t - 5e-6)) for t in (10.0, 18.0)}
    yield group.case(
        "and its U of 0.3 and 0.4 K, by a difference quotient of the saturation pressure",
        damp * math.hypot(slope[18.0] * 0.3, slope[10.0] * 0.4),
        lambda: finding_of(limit, {"T1": 18.0, "D1.dew_point": 10.0}, **room).U[-1] / MICRO,
        0.001,
    )


def _bending() -> Iterator[Case]:
    """Sagitta by the circle itself, R − √(R² − (L/2)²) with R = h/(α·ΔT), in mm; U by hand."""
    group = CaseGroup("bending of a plate", "exact circle, and JCGM 100:2008, 5.1.2; by hand")
    plate = Plate(1000.0, 150.0, 6.5e-6, 0.4e-6)
    radius_mm, half_mm = plate.thickness_mm / (plate.alpha_per_K * 0.5), plate.length_mm / 2
    sagitta_um = 1000 * half_mm**2 / (radius_mm + math.sqrt(radius_mm**2 - half_mm**2))
    limit = rule(
        name="bending", kind="bending", channels=("T1.temperature", "T2.temperature"), lower=-5.0, upper=5.0,
        unit="um", disturbs=False, plate=plate,
    )  # fmt: skip
    for top, bottom in ((20.5, 20.0), (20.0, 20.5)):
        yield group.case(
            f"1 m × 150 mm of granite, top at {top:g} degC, bottom at {bottom:g} degC, within 5 µm",
            ("CONFORMING", math.copysign(sagitta_um, top - bottom), 5.0 - sagitta_um),
            lambda t=top, b=bottom: cell(finding_of(limit, {"T1": t, "T2": b}, U=0.1))[:3],
            1e-4,
        )
    yield group.case(
        "its U of two probes with 0.10 K each and u(α) of 0.4e-6/K",
        math.hypot(sagitta_um / 0.5 * math.sqrt(2) * 0.1, sagitta_um * 2 * 0.4 / 6.5),
        lambda: finding_of(limit, {"T1": 20.5, "T2": 20.0}, U=0.1).U[-1] / MICRO,
        1e-4,
    )
    yield group.case(
        "a plate without a size is refused",
        "refused",
        lambda: refused(finding_of, replace(limit, plate=None), {"T1": 20.5, "T2": 20.0}),
    )


def _log_pressure(t_C: float) -> float:
    return float(np.log(saturation_pressure_water(t_C)))


def _stated() -> Iterator[Case]:
    group = CaseGroup(
        "conditions on a certificate", "ISO/IEC 17025:2017, 7.8.4.1 b; rounded outward; by hand"
    )
    rows = (
        ("temperature", "air", 19.68, 20.31, 0.10, "temperature (air) 19.6 °C to 20.4 °C"),
        ("temperature", "plate-top", -1.1, 1.1, 0.1, "temperature (plate top) −1.1 °C to 1.1 °C"),
        ("temperature", "air", 19.7151, 20.2849, 0.05, "temperature (air) 19.71 °C to 20.29 °C"),
        ("relative_humidity", "air", 44.8, 48.7, 1.6, "relative humidity 44 % to 49 %"),
        ("pressure", "air", 96_511.0, 97_042.0, 30.0, "pressure 965.1 hPa to 970.5 hPa"),
        ("pressure", "air", 96_500.0, 97_000.0, 0.0, "pressure 965 hPa to 970 hPa"),
        ("relative_humidity", "air", 46.0, 47.0, 0.0, "relative humidity 46 % to 47 %"),
        ("temperature", "air", 19.6, 20.4, 0.0, "temperature (air) 19.6 °C to 20.4 °C"),
    )
    yield from group.each("stated of", rows, lambda *of: _text(Extent(*of)))
    band, finer = ((19.75, 20.25),), ", rounded to 0.01 °C)"
    limited = (
        (19.80, 20.20, 0.10, band, "19.8 °C to 20.2 °C (limits 19.75 °C to 20.25 °C)"),
        (19.751, 20.222, 0.10, band, "19.75 °C to 20.23 °C (limits 19.75 °C to 20.25 °C" + finer),
        (19.80, 20.27, 0.10, band, "19.8 °C to 20.3 °C (limits 19.75 °C to 20.25 °C)"),
        (19.78, 20.222, 0.10, ((None, 20.25),), "19.78 °C to 20.23 °C (limit at most 20.25 °C" + finer),
    )  # fmt: skip
    yield from group.each(
        "beside its limits",
        limited,
        lambda low, high, U, limits: _text(Extent("temperature", "air", low, high, U, limits))[18:],
    )
    remaining: Mapping[Verdict, str] = {"stable": "kept.", "not stable": "", "not shown": "refused"}
    for verdict, expected in remaining.items():
        yield group.case(f"{verdict}: the limits were", expected, lambda v=verdict: _limits_sentence(v))
    yield group.case(
        "what the probes of a zone did, by medium, each with its own U",
        (("temperature", "air", 19.6, 20.42, 0.12), ("temperature", "part", 19.8, 20.1, 0.1),
         ("relative_humidity", "air", 42.4, 49.6, 1.6)),
        _extents,
    )  # fmt: skip


def _text(extent: Extent) -> str:
    return conditions_statement(_CHECKED, [extent], [], "the bay", UTC).stated[0].text


def _extents() -> tuple[tuple[object, ...], ...]:
    """T1 and T2 stand in air, T3 on the part, T4 in supply air, for the second hour of the day.

    T5 came when the hour was over, T6 left when it began, T7 left in its first minute. Each is at its lower
    value for the first half of the hour, then at its upper one.
    """
    places: Places = {f"T{n}": (1.0 * n, 1.0, 1.0) for n in range(1, 8)}
    two = ("temperature", "relative_humidity")
    room = setup(
        (), places, U={"temperature": 0.1, "relative_humidity": 1.6}, media={"T3": "part", "T4": "supply"},
        quantities={"T3": two},
    )  # fmt: skip
    begin_ns, end_ns = at(1), at(2)
    stays: Mapping[str, Mapping[str, Any]] = {
        "T5": {"from_ns": end_ns}, "T6": {"to_ns": begin_ns}, "T7": {"to_ns": begin_ns + 1},
    }  # fmt: skip
    papers = tuple(replace(c, U=(0.12,)) if c.number == "C-T2" else c for c in room.certificates)
    placements_then = tuple(replace(p, **stays.get(p.probe, {})) for p in room.placements)
    room = replace(room, placements=placements_then, certificates=papers)
    ends = {
        "T1.temperature": (19.8, 20.1), "T2.temperature": (20.0, 20.3), "T3.temperature": (19.9, 20.0),
        "T4.temperature": (15.0, 16.0), "T5.temperature": (25.0, 26.0), "T6.temperature": (10.0, 11.0),
        "T7.temperature": (19.7, 19.9), "T3.relative_humidity": (44.0, 48.0),
    }  # fmt: skip
    values = {key: series([low] * 90 + [high] * 60) for key, (low, high) in ends.items()}
    result = quantity_extents(judged_room(room, values), room, slice(60, 120))
    return tuple((e.quantity, e.medium, round(e.low, 6), round(e.high, 6), e.U) for e in result)


_CHECKED = Check("bay", 0, 10**12, 0, "", "stable", False, (), (), (), "", "", "")
UTC = ZoneInfo("UTC")


def _limits_sentence(verdict: Verdict) -> str:
    item = Extent("temperature", "air", 20, 20, 0.1)
    try:
        text = conditions_statement(replace(_CHECKED, verdict=verdict), [item], [], "the bay", UTC)
    except Refused:
        return "refused"
    return text.sentence.partition("The limits were ")[2]


def _outward() -> Iterator[Case]:
    group = CaseGroup(
        "rounding outward", "what a certificate states contains every value with its U; by hand"
    )
    rows = (
        (19.78, 20.21, 0.10, 0.1, (19.6, 20.4)),
        (19.7, 20.3, 0.1, 0.1, (19.6, 20.4)),
        (19.71, 20.29, 0.1, 0.1, (19.6, 20.4)),
        (19.69, 20.31, 0.1, 0.1, (19.5, 20.5)),
        (-0.05, 0.05, 0.0, 0.1, (-0.1, 0.1)),
        (46.4, 47.1, 1.6, 1.0, (44.0, 49.0)),
        (20.0, 20.0, 0.0, 0.1, (20.0, 20.0)),
    )
    yield from group.each("least, largest, U, step", rows, round_outward, 1e-9)
    for name, question in (
        ("least above largest", (20.1, 20.0, 0.1, 0.1)),
        ("a negative U", (20.0, 20.1, -0.1, 0.1)),
        ("no step", (20.0, 20.1, 0.1, 0.0)),
    ):
        yield group.case(name, "refused", lambda a=question: refused(round_outward, *a))
