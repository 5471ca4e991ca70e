"""When has a part reached room temperature? (`soak`)"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from ..errors import Refused
from .options import Json
from .output import answer, duration

if TYPE_CHECKING:
    from ..core.measurement.soak import Just, SoakConstant, SoakPlan


def add_to(app: typer.Typer) -> None:
    app.command("soak", short_help="When has a part reached room temperature?")(soak)


def soak(
    *,
    from_C: Annotated[float, typer.Option("--from-C", metavar="C", help="How warm the part is, in °C.")],
    room_C: Annotated[float, typer.Option("--room-C", metavar="C", help="How warm the room is.")] = 20.0,
    residual_K: Annotated[
        float | None, typer.Option("--residual-K", metavar="K", help="Allowed remaining difference.")
    ] = None,
    material: Annotated[str, typer.Option("--material", metavar="NAME", help="steel, aluminium, …")] = "",
    size_mm: Annotated[
        str,
        typer.Option(
            "--size-mm", metavar="AxBxC", help="100x35x9, or diameter × length as 40x100, or a diameter."
        ),
    ] = "",
    shape: Annotated[
        str, typer.Option("--shape", metavar="SHAPE", help="cuboid, cylinder or sphere.")
    ] = "cuboid",
    air: Annotated[str, typer.Option("--air", metavar="still|moving", help="How the air moves.")] = "still",
    on_plate: Annotated[
        bool, typer.Option("--on-plate", help="On a metal plate as warm as the room.")
    ] = False,
    just: Annotated[
        str, typer.Option("--just", metavar="sprayed|wiped", help="Canned air or solvent made it colder.")
    ] = "",
    time_constant_s: Annotated[
        float | None, typer.Option("--time-constant-s", metavar="S", help="Known time constant.")
    ] = None,
    fit: Annotated[
        Path | None,
        typer.Option(
            "--fit", metavar="FILE", help="CSV of a logged step, seconds and °C: fits the constant."
        ),
    ] = None,
    length_mm: Annotated[
        float | None, typer.Option("--length-mm", metavar="MM", help="Residual from a length …")
    ] = None,
    tolerance_um: Annotated[
        float | None, typer.Option("--tolerance-um", metavar="UM", help="… its tolerance, full width …")
    ] = None,
    share: Annotated[
        float, typer.Option("--share", metavar="SHARE", help="… and the share of it that you allow.")
    ] = 0.1,
    as_json: Json = False,
) -> None:
    """How long a part must stand in the room until it is as warm, near enough for its tolerance.

    The time constant is typed, follows from material, shape and size, or is fitted to a logged step.

    \b
    Examples:
      stillroom soak --material steel --size-mm 100x35x9 --from-C 27 --residual-K 0.2
      stillroom soak --time-constant-s 1800 --from-C 37 --residual-K 0.5
      stillroom soak --material aluminium --size-mm 60x200 --shape cylinder --from-C 25 \\
        --length-mm 200 --tolerance-um 12 --share 0.1
    """
    from ..core.measurement.soak import CAUTIONS, constant_from_step, constant_from_tau, plan_soak

    if just not in ("", "sprayed", "wiped"):
        raise Refused(f"--just: expected sprayed or wiped, found {just!r}.")
    if fit is not None:
        constant = constant_from_step(*_step(fit))
    elif time_constant_s is not None:
        constant = constant_from_tau(time_constant_s)
    else:
        constant = _by_size(material, size_mm, shape, air, on_plate=on_plate)
    residual = _residual(residual_K, material, length_mm, tolerance_um, share)
    soak_plan = plan_soak(constant, from_C, room_C, residual, cast("Just", just))
    answer(plan_dict(soak_plan), as_json, [*_lines(soak_plan), *(f"  {c}" for c in CAUTIONS)])


def _by_size(material: str, size_mm: str, shape: str, air: str, *, on_plate: bool) -> SoakConstant:
    from ..core.measurement.soak import FILMS, SIZES, constant_from_size, parse_sizes
    from ..core.physics.thermal import body_of

    if not material or not size_mm:
        raise Refused("Give --material and --size-mm, or --time-constant-s, or --fit with a logged step.")
    shapes, airs = {s: s for s in SIZES}, {a: a for a in FILMS}
    if shape not in shapes or air not in airs:
        raise Refused(
            f"--shape: expected one of {', '.join(shapes)}, found {shape}; --air: expected one of "
            f"{', '.join(airs)}, found {air}."
        )
    named = next(s for s in SIZES if s == shape), next(a for a in FILMS if a == air)
    return constant_from_size(
        body_of(material), named[0], parse_sizes(size_mm, named[0]), named[1], on_plate=on_plate
    )


def _step(file: Path) -> tuple[list[float], list[float]]:
    """Seconds and °C of two columns; a first line of words is skipped."""
    import csv

    try:
        with file.open(encoding="utf-8", newline="") as lines:
            rows = [row for row in csv.reader(lines) if row]
        return _numbers(rows) if _is_number(rows[0][0]) else _numbers(rows[1:])
    except (OSError, IndexError, ValueError) as error:
        raise Refused(f"--fit {file}: expected two columns, seconds and °C; {error}.") from None


def _numbers(rows: list[list[str]]) -> tuple[list[float], list[float]]:
    return [float(r[0]) for r in rows], [float(r[1]) for r in rows]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _residual(
    stated_K: float | None, material: str, length_mm: float | None, tolerance_um: float | None, share: float
) -> float:
    from ..core.physics.expansion import material_of
    from ..inspections.assess import residual_K

    if stated_K is not None:
        return stated_K
    if length_mm is None or tolerance_um is None or not material:
        raise Refused("Give --residual-K, or --material with --length-mm and --tolerance-um.")
    if not (length_mm > 0 and tolerance_um > 0 and 0 < share <= 1):
        raise Refused("--length-mm, --tolerance-um, --share: expected numbers above 0, the share at most 1.")
    return residual_K(length_mm, material_of(material).alpha_per_K, share * tolerance_um)


def plan_dict(plan: SoakPlan) -> dict[str, Any]:
    """The plan as plain data; seconds and K."""
    c = plan.constant
    return {
        "time_constant_s": round(c.tau_s, 3),
        "core_time_constant_s": round(c.core_s, 3),
        "biot": None if c.biot is None else round(c.biot, 6),
        "lumped": c.lumped,
        "how": c.how,
        "difference_K": round(plan.difference_K, 6),
        "residual_K": round(plan.residual_K, 6),
        "ready_after_s": round(plan.ready_after_s, 1),
        "ready_latest_s": round(plan.ready_latest_s, 1),
        "warnings": list(plan.warnings),
    }


def _lines(plan: SoakPlan) -> list[str]:
    c = plan.constant
    number = "" if c.biot is None else f", Biot number {c.biot:.3g}"
    ready, latest = (duration(60 * -(-s // 60)) for s in (plan.ready_after_s, plan.ready_latest_s))
    return [
        f"Ready after {ready}; {latest} with poor air flow.",
        "",
        f"  {plan.difference_K:.2f} K from room temperature; {plan.residual_K:.3f} K allowed",
        f"  time constant {duration(c.tau_s)} ({c.how}){number}",
        *(f"  {w}" for w in plan.warnings),
    ]
