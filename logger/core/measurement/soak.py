"""The soak planner: when is a part as warm as the room, near enough for its tolerance?

A lumped body follows the air by its time constant. Where the Biot number shows that its core lags
behind its surface, the core decides (`physics/core_temperature.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...errors import Refused
from ..physics.core_temperature import core_response
from ..physics.thermal import LUMPED_BIOT, Body, biot, fit_step, soak_time_s, time_constant_s, volume_and_area

Shape = Literal["cuboid", "cylinder", "sphere"]
Air = Literal["still", "moving"]
Just = Literal["", "sprayed", "wiped"]

# W/(m²·K): nominal and lowest, convection and radiation together; from memory, and no two rooms are equal.
FILMS: dict[Air, tuple[float, float]] = {"still": (8.0, 6.0), "moving": (15.0, 10.0)}
# Through the face on a metal plate at room temperature; dry, not wrung: from memory, low on purpose.
PLATE_FILM = 100.0
# How much colder than it was a part may be that was just sprayed or wiped: common practice, no source.
COLDER_K: dict[Just, float] = {"": 0.0, "sprayed": 5.0, "wiped": 2.0}
# A step logged for less than a fifth of its time constant looks like a straight line.
LONGEST_FIT = 5
SIZES: dict[Shape, tuple[int, str]] = {
    "cuboid": (3, "length × width × height"),
    "cylinder": (2, "diameter × length"),
    "sphere": (1, "diameter"),
}
# Beyond these, a number is a typing error or in the wrong unit.
COLDEST_C, HOTTEST_C = -100.0, 1000.0
CAUTIONS = (
    "Heavy parts: lift them with the gear that is meant for it.",
    "Solvents and canned air: ventilate, keep away from flames and hot surfaces, follow the label and "
    "your local code; wear what it asks for.",
)


@dataclass(frozen=True)
class SoakConstant:
    """Time constants of a part in air, in s; those of a lumped body are equal.

    core_s: time constant of the core; latest_s: core_s with the least likely heat exchange; core:
    initial difference of the core, as a multiple of the part's.
    """

    tau_s: float
    core_s: float
    latest_s: float
    biot: float | None
    core: float
    how: str

    @property
    def lumped(self) -> bool:
        """Whether the part may be treated as having one temperature."""
        return self.biot is None or self.biot < LUMPED_BIOT


@dataclass(frozen=True)
class SoakPlan:
    """Soak times in s, differences in K; `ready_latest_s`: with the least likely heat exchange."""

    constant: SoakConstant
    difference_K: float
    residual_K: float
    ready_after_s: float
    ready_latest_s: float
    warnings: tuple[str, ...]


def constant_from_size(
    body: Body, shape: Shape, size_mm: tuple[float, ...], air: Air = "still", *, on_plate: bool = False
) -> SoakConstant:
    """The time constant of a shape; on a metal plate, its largest face lies on it.

    >>> from logger.core.physics.thermal import BODIES
    >>> constant = constant_from_size(BODIES["steel"], "cuboid", (100.0, 100.0, 100.0))
    >>> round(constant.tau_s / 60, 2), round(constant.biot, 4)
    (125.38, 0.0027)
    """
    count, names = SIZES[shape]
    if len(size_mm) != count or min(size_mm, default=0.0) <= 0:
        raise Refused(f"size of a {shape}: expected {names} in mm, all above 0, found {size_mm}.")
    volume, area = volume_and_area(shape, size_mm)
    films = [_film(h, area, _face(shape, size_mm) if on_plate else 0.0) for h in FILMS[air]]
    nominal, lowest = (float(time_constant_s(body, volume, area, h)) for h in films)
    number = float(biot(body, volume, area, films[0]))
    how = f"{shape} in {air} air" + (", on a metal plate" if on_plate else "")
    if number < LUMPED_BIOT:
        return SoakConstant(nominal, nominal, lowest, number, 1.0, how)
    (tau, start), (latest, _) = (core_response(body, shape, size_mm, h) for h in films)
    return SoakConstant(nominal, tau, latest, number, start, how)


def constant_from_tau(tau_s: float, how: str = "typed", u_tau_s: float = 0.0) -> SoakConstant:
    """From a given time constant: entered, from a table, or fitted to a logged step."""
    if not 0 < tau_s < 1e7:
        raise Refused(f"time constant: expected seconds above 0, found {tau_s:g}.")
    return SoakConstant(tau_s, tau_s, tau_s + 2 * u_tau_s, None, 1.0, how)


def plan_soak(
    constant: SoakConstant, from_C: float, room_C: float, residual_K: float, just: Just = ""
) -> SoakPlan:
    """When the part is within `residual_K` of the room, from its temperature and that of the room.

    >>> round(plan_soak(constant_from_tau(1800.0), 37.0, 20.0, 0.5).ready_after_s / 60)
    106
    """
    if not residual_K > 0:
        raise Refused(f"residual: expected a difference in K above 0, found {residual_K:g}.")
    for name, value in (("part", from_C), ("room", room_C)):
        if not COLDEST_C <= value <= HOTTEST_C:
            expected = f"expected a temperature from {COLDEST_C:g} to {HOTTEST_C:g} °C"
            raise Refused(f"{name}: {expected}, found {value:g}.")
    difference = max(abs(from_C - room_C), abs(from_C - COLDER_K[just] - room_C))
    times = [
        float(soak_time_s(tau, constant.core * difference, residual_K)) if difference > residual_K else 0.0
        for tau in (constant.core_s, constant.latest_s)
    ]
    return SoakPlan(constant, difference, residual_K, times[0], times[1], tuple(_warnings(constant, just)))


def _film(h: float, area_m2: float, face_m2: float) -> float:
    return (h * (area_m2 - face_m2) + PLATE_FILM * face_m2) / area_m2


def _face(shape: Shape, size_mm: tuple[float, ...]) -> float:
    """The face that lies on the plate, in m²; that of a sphere or a lying cylinder is neglected."""
    if shape == "cuboid":
        a, b, _ = sorted((s / 1000 for s in size_mm), reverse=True)
        return a * b
    return np.pi * (size_mm[0] / 1000) ** 2 / 4 if shape == "cylinder" else 0.0


def _warnings(constant: SoakConstant, just: Just) -> list[str]:
    warnings = []
    if not constant.lumped:
        warnings.append(
            f"Biot number {constant.biot:.3g}, expected below {LUMPED_BIOT}: the core lags behind the "
            "surface, and its own, longer time constant is used."
        )
    if just:
        warnings.append(
            f"Just {just}: taken as up to {COLDER_K[just]:g} K colder than it was (common practice, no "
            "source). A probe on the part knows better."
        )
    return warnings


def parse_sizes(text: str, shape: Shape) -> tuple[float, ...]:
    """Sizes in mm from text such as 100x35x9; one number is a cube's edge.

    >>> parse_sizes("100 x 35 x 9", "cuboid"), parse_sizes("30", "cuboid"), parse_sizes("12,5", "sphere")
    ((100.0, 35.0, 9.0), (30.0, 30.0, 30.0), (12.5,))
    """
    parts = text.replace(",", ".").lower().replace("×", "x").replace("*", "x").split("x")
    try:
        numbers = tuple(float(part) for part in parts)
    except ValueError:
        raise Refused(f"size: expected {SIZES[shape][1]} in mm as in 100x35x9, found {text!r}.") from None
    return numbers * 3 if shape == "cuboid" and len(numbers) == 1 else numbers


def constant_from_step(time_s: Sequence[float], value_C: Sequence[float]) -> SoakConstant:
    """The time constant of a logged step; Refused where the step does not determine it.

    time_s ascending, at least 5 readings.
    """
    t, y = np.asarray(time_s, np.float64), np.asarray(value_C, np.float64)
    if len(t) < 5 or not (np.diff(t) > 0).all() or not np.isfinite(y).all():
        raise Refused(f"logged step: expected at least 5 readings, ascending in time, found {len(t)}.")
    step_fit = fit_step(t, y)
    if not step_fit.U_s < step_fit.tau_s < LONGEST_FIT * (t[-1] - t[0]):
        raise Refused(
            f"logged step: {t[-1] - t[0]:.0f} s do not determine the time constant; "
            "log the step for longer, or begin it with a larger difference."
        )
    return constant_from_tau(
        step_fit.tau_s, f"fitted to {len(t)} readings, U {step_fit.U_s:.0f} s (k = 2)", step_fit.U_s / 2
    )
