"""Cases of solids: expansion of materials, bodies that follow the air, a fitted step."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..core.physics import expansion, thermal
from ..core.physics.thermal import BODIES
from . import reference_formulas as plain
from .case import Case, CaseGroup


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _materials()
    yield from _bodies()
    yield from _steps()


def _materials() -> Iterator[Case]:
    for row in plain.table("materials.csv"):
        group = CaseGroup("materials", row["source"])
        if row["alpha_micro_per_K"]:
            expected = float(row["alpha_micro_per_K"]), float(row["half_width_micro_per_K"])
            yield group.case(
                f"expansion of {row['name']} with its bound, 1e-6/K",
                expected,
                lambda n=row["name"]: _expansion(n),
                1e-9,
            )
        if row["density_kg_per_m3"]:
            names = ("density_kg_per_m3", "specific_heat_J_per_kg_K", "conductivity_W_per_m_K")
            heat = tuple(float(row[name]) for name in names)
            yield group.case(
                f"heat of {row['name']}: density, specific heat, conductivity",
                heat,
                lambda n=row["name"]: _heat(n),
                1e-9,
            )
    group = CaseGroup("materials", "L·α·(t − 20 degC), ISO 1:2022; by hand")
    yield group.case("11.2 ± 0.3 as a declared value", (11.2, 0.3), lambda: _expansion("11.2 ± 0.3"), 1e-9)
    yield group.case("an unknown material is refused", "UnitError", lambda: _refused("unobtainium"))
    yield group.case("as many materials as the table has", 28, lambda: len(expansion.MATERIALS) + 1)
    yield group.case("as many bodies as the table has", 13, lambda: len(BODIES))
    yield group.case(
        "1 m of steel by 1 K, in µm", 11.5, lambda: expansion.length_change_um(1000.0, 11.5e-6, 21.0), 1e-9
    )
    yield group.case(
        "300 mm aluminium on steel at 22 degC, in µm",
        6.96,
        lambda: expansion.differential_expansion_um(300.0, (23.1e-6, 22.0), (11.5e-6, 22.0)),
        1e-9,
    )
    bend = 6.5e-6 * 0.5 * 1000.0**2 / (8 * 150) * 1000
    yield group.case(
        "plate of 1 m × 150 mm, 0.5 K warmer on top: sagitta in µm",
        bend,
        lambda: expansion.plate_bending_um(1000.0, 150.0, 6.5e-6, 0.5),
        1e-9,
        "free plate, radius h/(α·ΔT): 2.7 µm, by hand",
    )
    yield group.case(
        "a plate of no thickness has no sagitta",
        math.nan,
        lambda: expansion.plate_bending_um(1.0, 0.0, 1.0, 1.0),
    )
    yield group.case(
        "a plate of half a millimetre has one",
        6.5e-6 * 0.5 * 1e4 / 4 * 1000,
        lambda: expansion.plate_bending_um(100.0, 0.5, 6.5e-6, 0.5),
        1e-9,
    )
    yield group.case(
        "500 mm aluminium, 2 µm allowed: K alone",
        2 / (500_000 * 23.1e-6),
        lambda: expansion.allowed_temperature_K(500.0, 23.1e-6, 2.0),
        1e-12,
    )


def _expansion(name: str) -> tuple[float, float]:
    result = expansion.material_of(name)
    return result.alpha_per_K * 1e6, result.half_width_per_K * 1e6


def _heat(name: str) -> tuple[float, float, float]:
    body = thermal.body_of(name)
    return float(body.density), float(body.specific_heat), float(body.conductivity)


def _refused(name: str) -> str:
    try:
        expansion.material_of(name)
    except Exception as error:  # noqa: BLE001 - which error it is, is what is asked
        return type(error).__name__
    return "accepted"


def _bodies() -> Iterator[Case]:
    group = CaseGroup(
        "bodies that follow the air",
        "Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, 5.1 and 5.2",
    )
    volume = {
        "cuboid": ((200.0, 50.0, 30.0), 3e-4, 0.035),
        "sphere": ((100.0,), math.pi / 6e3, math.pi / 100),
        "cylinder": ((40.0, 100.0), math.pi * 4e-5, math.pi * 0.0048),
    }
    for shape, (size, V, A) in volume.items():
        yield group.case(
            f"volume and surface of a {shape}, m³ and m²",
            (V, A),
            lambda s=shape, z=size: thermal.volume_and_area(s, z),
            1e-12,
            "geometry",
        )
    steel = BODIES["steel"]
    yield group.case(
        "time constant of 3e-4 m³ of steel with 0.035 m² in still air, s",
        7850 * 460 * 3e-4 / (8 * 0.035),
        lambda: thermal.time_constant_s(steel, 3e-4, 0.035),
        1e-9,
    )
    yield group.case(
        "its Biot number", 8 * 3e-4 / 0.035 / 50, lambda: thermal.biot(steel, 3e-4, 0.035), 1e-12
    )
    yield group.case("lumped below a Biot number of", 0.02, lambda: thermal.LUMPED_BIOT)
    yield group.case(
        "remaining after 17 K to 0.5 K at 30 min: soak in s",
        1800 * math.log(34),
        lambda: thermal.soak_time_s(1800.0, -17.0, 0.5),
        1e-9,
    )
    yield group.case("soaked already", (0.0, 0.0), lambda: thermal.soak_time_s(1800.0, [0.4, 0.5], 0.5))
    yield group.case(
        "hardly not soaked", 1800 * math.log(0.6 / 0.5), lambda: thermal.soak_time_s(1800.0, 0.6, 0.5), 1e-9
    )
    yield group.case("no residual, no time", math.nan, lambda: thermal.soak_time_s(1800.0, 5.0, 0.0))
    times, warm = [0.0, 60.0, 600.0, 600.001, 7200.0, 36_000.0], [20.0, 20.5, 22.0, 22.5, 19.0, 19.0]
    expected = tuple(plain.lag(times, warm, 5400.0, 21.0))
    yield group.case(
        "response of τ = 90 min to air in straight lines",
        expected,
        lambda: thermal.response(times, warm, 5400.0, 21.0),
        1e-8,
    )
    yield group.case("one instant alone", (21.0,), lambda: thermal.response([5.0], [20.0], 5400.0, 21.0))
    tiny = [0.0, 1e-4], [20.0, 30.0]  # 1e-4 s of 1 h: the mean of the air acts
    yield group.case(
        "a step much shorter than τ",
        20 + 1e-4 / 3600 * 5,
        lambda: thermal.response(*tiny, 3600.0, 20.0)[1],
        1e-12,
    )


def _steps() -> Iterator[Case]:
    group = CaseGroup("fitted step", "least squares with U = 2·√(s²·(JᵀJ)⁻¹), JCGM 100:2008, H.3")
    t = [60.0 * i for i in range(240)]
    clean = [20 + 3 * math.exp(-x / 7200) for x in t]
    yield group.case("τ and end of an exact step of 2 h", (7200.0, 20.0), lambda: _fitted(t, clean)[:2], 1e-4)
    yield group.case(
        "and that from another start of the clock",
        (7200.0, 20.0),
        lambda: _fitted([x + 1e6 for x in t], clean)[:2],
        1e-4,
    )
    five, e = [0.0, 1800.0, 3600.0, 5400.0, 7200.0], [1e-3, -2e-3, 2e-3, -1e-3, 0.5e-3]
    y = [20 + 3 * math.exp(-x / 3600) + d for x, d in zip(five, e, strict=True)]
    yield group.case(
        "U of τ by the plain normal equations, relative",
        1.0,
        lambda: _fitted(five, y)[2] / _plain_U(five, y),
        1e-6,
    )


def _fitted(t: list[float], y: list[float]) -> tuple[float, float, float]:
    result = thermal.fit_step(t, y)
    return result.tau_s, result.final_C, result.U_s


def _plain_U(t: list[float], y: list[float]) -> float:
    """U of the time constant at the least squares, found by a search of its own."""

    def at(tau: float) -> tuple[float, float, float]:
        d = [math.exp(-x / tau) for x in t]
        n, s, ss = len(t), math.fsum(d), math.fsum(x * x for x in d)
        sy, sdy = math.fsum(y), math.fsum(a * b for a, b in zip(d, y, strict=True))
        size = (n * sdy - s * sy) / (n * ss - s * s)
        end = (sy - size * s) / n
        return math.fsum((b - end - size * a) ** 2 for a, b in zip(d, y, strict=True)), size, end

    low, high = 1000.0, 10_000.0
    for _ in range(300):  # golden section
        a, b = high - (high - low) * 0.6180339887, low + (high - low) * 0.6180339887
        low, high = (low, b) if at(a)[0] < at(b)[0] else (a, high)
    tau = (low + high) / 2
    squares, size, _ = at(tau)
    d = [math.exp(-x / tau) for x in t]
    J = np.array([[1.0, a, size * a * x / tau**2] for a, x in zip(d, t, strict=True)])
    return 2 * math.sqrt(squares / (len(t) - 3) * float(np.linalg.inv(J.T @ J)[2, 2]))
