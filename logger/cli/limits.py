"""Where a limit comes from: a length, a material, what is allowed (`limits derive`)."""

from __future__ import annotations

from typing import Annotated

import typer

from ..errors import Refused
from .command_list import command_group
from .labels import notice
from .options import Json
from .output import answer

limits = command_group("Limits of the room and their basis.")


def add_to(app: typer.Typer) -> None:
    limits.command("notice", short_help="The notice for the door.")(notice)
    app.add_typer(limits, name="limits")


@limits.callback()
def group() -> None:
    """Limits of the room and their basis."""


@limits.command("derive")
def derive(
    *,
    length_mm: Annotated[float, typer.Option("--length-mm", metavar="MM", help="Longest length measured.")],
    material: Annotated[str, typer.Option("--material", metavar="NAME", help="Material of the part.")],
    scale_material: Annotated[
        str, typer.Option("--scale-material", metavar="NAME", help="Material of the scale.")
    ] = "steel",
    allowed_um: Annotated[
        float | None, typer.Option("--allowed-um", metavar="UM", help="Allowed thermal error of that length.")
    ] = None,
    limit_K: Annotated[
        float | None,
        typer.Option("--limit-K", metavar="K", help="The reverse: thermal error under this limit."),
    ] = None,
    as_json: Json = False,
) -> None:
    """From the allowed error of a length to the room's limit, with a sentence for its basis; or the reverse.

    \b
    Examples:
      stillroom limits derive --length-mm 500 --material aluminium --allowed-um 2
      stillroom limits derive --length-mm 500 --material aluminium --limit-K 0.5
    """
    from ..core.measurement.limit_derivation import derive_limits as derived
    from ..core.measurement.limit_derivation import length_errors_um, round_up, scale_name
    from ..core.physics.expansion import material_of

    part, scale = material_of(material), material_of(scale_material)
    if (allowed_um is None) == (limit_K is None):
        raise Refused("Give --allowed-um or --limit-K.")
    if limit_K is not None:
        alone, both = length_errors_um(length_mm, part, scale, limit_K)
        errors = {"alone_um": round(alone, 6), "on_scale_um": round(both, 6)}
        line = f"±{limit_K:g} K: {round_up(alone)} µm alone, {round_up(both)} µm on {scale_name(scale.name)}."
        answer(errors, as_json, [line])
        return
    derivation = derived(length_mm, part, scale, allowed_um or 0.0)
    payload = {
        "alone_K": round(derivation.alone_K, 6),
        "on_scale_K": None if derivation.on_scale_K is None else round(derivation.on_scale_K, 6),
        "part_minus_scale_K": round(derivation.part_minus_scale_K, 6),
        "basis": derivation.basis,
    }
    answer(payload, as_json, ["For limits.toml:", "", f'  basis = "{derivation.basis}"'])
