"""The soak planner: when is a part as warm as the room, near enough for its tolerance?

A lumped body follows the air by its time constant. Where the Biot number says that its core lags
behind its surface, the core decides (`physics/cores.py`).
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
# A step that was logged for less than a fifth of its time constant looks like any other straight line.
LONGEST_FIT = 5
SIZES: dict[Shape, tuple[int, str]] = {
    "cuboid": (3, "length x width x height"),
    "cylinder": (2, "diameter x length"),
    "sphere": (1, "diameter"),
}
# Beyond these, a number is a slip of the pen or the wrong unit.
COLDEST_C, HOTTEST_C = -100.0, 1000.0
CAUTIONS = (
    "Heavy parts: lift them with the gear that is meant for it.",
    "Solvents and canned air: ventilate, keep away from flames and hot surfaces, follow the label and "
    "your local code; wear what it asks for.",
)


@dataclass(frozen=True)
class Constant:
    """How a part follows the air; s. Of a lumped body the core is like the rest.

    core_s: time constant of the core; latest_s: the same with the least heat that is likely to be
    exchanged; core: what the core's difference starts from, as a multiple of the part's.
    """

    tau_s: float
    core_s: float
    latest_s: float
    biot: float | None
    core: float
    how: str

    @property
    def lumped(self) -> bool:
        """Whether the whole part can be taken to have one temperature."""
        return self.biot is None or self.biot < LUMPED_BIOT


@dataclass(frozen=True)
class Plan:
    """What the planner says; s and K. `ready_latest_s` with the least heat exchange that is likely."""

    constant: Constant
    difference_K: float
    residual_K: float
    ready_after_s: float
    ready_latest_s: float
    warnings: tuple[str, ...]


def by_size(
    body: Body, shape: Shape, size_mm: tuple[float, ...], air: Air = "still", *, on_plate: bool = False
) -> Constant:
    """The time constant of a shape; on a metal plate, its largest face lies on it.

    >>> from logger.core.physics.thermal import BODIES
    >>> found = by_size(BODIES["steel"], "cuboid", (100.0, 100.0, 100.0))
    >>> round(found.tau_s / 60, 2), round(found.biot, 4)
    (125.38, 0.0027)
    """
    wanted, names = SIZES[shape]
    if len(size_mm) != wanted or min(size_mm, default=0.0) <= 0:
        raise Refused(f"size of a {shape}: wanted {names} in mm, all above 0, found {size_mm}.")
    volume, area = volume_and_area(shape, size_mm)
    films = [_film(h, area, _face(shape, size_mm) if on_plate else 0.0) for h in FILMS[air]]
    nominal, lowest = (float(time_constant_s(body, volume, area, h)) for h in films)
    number = float(biot(body, volume, area, films[0]))
    how = f"{shape} in {air} air" + (", on a metal plate" if on_plate else "")
    if number < LUMPED_BIOT:
        return Constant(nominal, nominal, lowest, number, 1.0, how)
    (tau, start), (latest, _) = (core_response(body, shape, size_mm, h) for h in films)
    return Constant(nominal, tau, latest, number, start, how)


def typed(tau_s: float, how: str = "typed", u_tau_s: float = 0.0) -> Constant:
    """A time constant that is known: typed, from a table, or fitted to a logged step."""
    if not 0 < tau_s < 1e7:
        raise Refused(f"time constant: wanted seconds above 0, found {tau_s:g}.")
    return Constant(tau_s, tau_s, tau_s + 2 * u_tau_s, None, 1.0, how)


def plan(constant: Constant, from_C: float, room_C: float, residual_K: float, just: Just = "") -> Plan:
    """When the part is within the residual of the room.

    >>> round(plan(typed(1800.0), 37.0, 20.0, 0.5).ready_after_s / 60)
    106
    """
    if not residual_K > 0:
        raise Refused(f"residual: wanted a difference in K above 0, found {residual_K:g}.")
    for name, value in (("part", from_C), ("room", room_C)):
        if not COLDEST_C <= value <= HOTTEST_C:
            wanted = f"wanted a temperature from {COLDEST_C:g} to {HOTTEST_C:g} °C"
            raise Refused(f"{name}: {wanted}, found {value:g}.")
    difference = max(abs(from_C - room_C), abs(from_C - COLDER_K[just] - room_C))
    times = [
        float(soak_time_s(tau, constant.core * difference, residual_K)) if difference > residual_K else 0.0
        for tau in (constant.core_s, constant.latest_s)
    ]
    return Plan(constant, difference, residual_K, times[0], times[1], tuple(_warnings(constant, just)))


def _film(h: float, area_m2: float, face_m2: float) -> float:
    return (h * (area_m2 - face_m2) + PLATE_FILM * face_m2) / area_m2


def _face(shape: Shape, size_mm: tuple[float, ...]) -> float:
    """The face that lies on the plate, in m²; a sphere and a lying cylinder have none to speak of."""
    if shape == "cuboid":
        a, b, _ = sorted((s / 1000 for s in size_mm), reverse=True)
        return a * b
    return np.pi * (size_mm[0] / 1000) ** 2 / 4 if shape == "cylinder" else 0.0


def _warnings(constant: Constant, just: Just) -> list[str]:
    found = []
    if not constant.lumped:
        found.append(
            f"Biot number {constant.biot:.3g}, wanted below {LUMPED_BIOT}: the core lags behind the surface, "
            "and its own, longer time constant is used."
        )
    if just:
        found.append(
            f"Just {just}: taken as up to {COLDER_K[just]:g} K colder than it was (common practice, no "
            "source). A probe on the part knows better."
        )
    return found


def sizes(text: str, shape: Shape) -> tuple[float, ...]:
    """Sizes in mm as people write them; one number is a cube's edge.

    >>> sizes("100 x 35 x 9", "cuboid"), sizes("30", "cuboid"), sizes("12,5", "sphere")
    ((100.0, 35.0, 9.0), (30.0, 30.0, 30.0), (12.5,))
    """
    parts = text.replace(",", ".").lower().replace("×", "x").replace("*", "x").split("x")
    try:
        found = tuple(float(part) for part in parts)
    except ValueError:
        raise Refused(f"size: wanted {SIZES[shape][1]} in mm as in 100x35x9, found {text!r}.") from None
    return found * 3 if shape == "cuboid" and len(found) == 1 else found


def fitted(time_s: Sequence[float], value_C: Sequence[float]) -> Constant:
    """The time constant of a logged step; Refused where the step does not tell it.

    time_s ascending, at least 5 readings.
    """
    t, y = np.asarray(time_s, np.float64), np.asarray(value_C, np.float64)
    if len(t) < 5 or not (np.diff(t) > 0).all() or not np.isfinite(y).all():
        raise Refused(f"logged step: wanted at least 5 readings, ascending in time, found {len(t)}.")
    found = fit_step(t, y)
    if not found.U_s < found.tau_s < LONGEST_FIT * (t[-1] - t[0]):
        raise Refused(
            f"logged step: {t[-1] - t[0]:.0f} s of it do not tell the time constant; "
            "log the step for longer, or begin it with a larger difference."
        )
    return typed(found.tau_s, f"fitted to {len(t)} readings, U {found.U_s:.0f} s (k = 2)", found.U_s / 2)
