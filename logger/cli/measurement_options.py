"""Options about what was measured, and the question that they make."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from ..instants import parse

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from ..core.measurement.temperatures import Lag
    from ..core.measurement.thermal_error import DriftCheck, Feature, Work
    from ..inspections.assess import Question

Length = Annotated[
    float | None, typer.Option("--length-mm", metavar="MM", help="Measured length; gives the error in µm.")
]
Tolerance = Annotated[
    float | None, typer.Option("--tolerance-um", metavar="UM", help="Its tolerance, as the full width.")
]
MaterialName = Annotated[
    str,
    typer.Option("--material", metavar="NAME", help="Of the part: steel, aluminium, …; or '11.2 +- 0.3'."),
]
ScaleMaterial = Annotated[
    str,
    typer.Option(
        "--scale-material", metavar="NAME", help="Of the machine's scale; 'ideal' for none. Default: steel."
    ),
]
Compensated = Annotated[
    bool,
    typer.Option("--compensated/--not-compensated", help="Whether the result was corrected to 20 °C."),
]
PointByPoint = Annotated[
    bool, typer.Option("--point-by-point", help="Corrected with the temperatures of each point.")
]
AddUp = Annotated[
    str,
    typer.Option("--adding-up", metavar="gum|b89", help="JCGM 100 with ISO/TR 16015, or ASME B89.6.2."),
]
Mastered = Annotated[
    str | None, typer.Option("--mastered-at", metavar="TIME", help="When it was mastered; default: start.")
]
Tve = Annotated[
    float | None, typer.Option("--tve-um", metavar="UM", help="This machine's drift check, peak to valley.")
]
TveSpan = Annotated[
    float, typer.Option("--tve-span-K", metavar="K", help="Span of the room during the drift check.")
]
TveOn = Annotated[
    str, typer.Option("--tve-on", metavar="DAY", help="Day of the drift check, as in 2026-10-12.")
]
UmPerK = Annotated[
    float | None,
    typer.Option("--um-per-K", metavar="UM", help="This machine's own, from `inspection standard`."),
]
Share = Annotated[
    float | None,
    typer.Option("--share-allowed", metavar="SHARE", help="Share of the tolerance that you allow, 0 to 1."),
]
PartTau = Annotated[
    float, typer.Option("--part-tau-s", metavar="S", help="Time constant of the part in the air.")
]
ScaleTau = Annotated[
    float, typer.Option("--scale-tau-s", metavar="S", help="Time constant of the scale in the air.")
]
UTau = Annotated[
    float, typer.Option("--u-tau-s", metavar="S", help="Standard uncertainty of the part's time constant.")
]
ArrivedAt = Annotated[
    str | None, typer.Option("--arrived-at", metavar="TIME", help="When the part came into the zone.")
]
ArrivedC = Annotated[
    float | None, typer.Option("--arrived-C", metavar="C", help="How warm it was then, in °C.")
]
Features = Annotated[
    list[str] | None,
    typer.Option(
        "--feature",
        metavar="NAME,MM,UM[,MATERIAL]",
        help="One of several features; the worst decides. May be repeated.",
    ),
]


@dataclass(frozen=True)
class MeasurementOptions:
    """The options about part and machine as entered; None or "" where left out."""

    length_mm: float | None = None
    tolerance_um: float | None = None
    material: str = ""
    scale_material: str = ""
    compensated: bool = False
    point_by_point: bool = False
    adding_up: str = "gum"
    mastered_at: str | None = None
    tve_um: float | None = None
    tve_span_K: float = 0.0
    tve_on: str = ""
    um_per_K: float | None = None
    share_allowed: float | None = None
    part_tau_s: float = 0.0
    scale_tau_s: float = 0.0
    u_tau_s: float = 0.0
    arrived_at: str | None = None
    arrived_C: float | None = None
    features: tuple[str, ...] = ()


def question(base: Question, options: MeasurementOptions, zone: ZoneInfo) -> Question:
    """The question with the options about part and machine added; Refused where they do not fit."""
    from dataclasses import replace

    features = [*_single(options), *(_feature(text, options.material) for text in options.features)]
    _check_ranges(options)
    if not features:
        _refuse_without_length(options)
        return base
    mastered = parse(options.mastered_at, zone, "--mastered-at") if options.mastered_at else base.from_ns
    part, scale = _lags(options, zone)
    work = _work(options)
    return replace(
        base, features=tuple(features), work=work, mastered_ns=mastered, part=part, scale=scale
    )  # fmt: skip


# Options whose number has a range: its name, the least and the greatest.
_RANGES = {
    "tve_um": ("--tve-um", 0.0, 1e6),
    "tve_span_K": ("--tve-span-K", 0.0, 100.0),
    "um_per_K": ("--um-per-K", -1e6, 1e6),
    "part_tau_s": ("--part-tau-s", 0.0, 1e7),
    "scale_tau_s": ("--scale-tau-s", 0.0, 1e7),
    "u_tau_s": ("--u-tau-s", 0.0, 1e7),
    "arrived_C": ("--arrived-C", -100.0, 1000.0),
}


def _check_ranges(options: MeasurementOptions) -> None:
    faults = [
        f"{option}: expected a number from {least:g} to {most:g}, found {value:g}"
        for name, (option, least, most) in _RANGES.items()
        if (value := getattr(options, name)) is not None and not least <= value <= most
    ]
    if faults:
        raise Refused("; ".join(faults) + ".")


def _refuse_without_length(options: MeasurementOptions) -> None:
    """Refuse options that only act on a length where no length is given."""
    dependent = {
        "--tolerance-um": options.tolerance_um,
        "--material": options.material,
        "--tve-um": options.tve_um,
        "--um-per-K": options.um_per_K,
        "--mastered-at": options.mastered_at,
    }
    without = [option for option, value in dependent.items() if value not in (None, "")]
    if without:
        raise Refused(f"{', '.join(without)}: give --length-mm or --feature too; µm need a length.")


def _single(options: MeasurementOptions) -> list[Feature]:
    from ..core.measurement.thermal_error import Feature
    from ..core.physics.expansion import material_of

    if options.length_mm is None:
        return []
    if not options.material:
        raise Refused("--length-mm needs --material too: thermal expansion depends on it.")
    _check_positive("--length-mm", options.length_mm)
    if options.tolerance_um is not None:
        _check_positive("--tolerance-um", options.tolerance_um)
    return [Feature(options.length_mm, material_of(options.material), options.tolerance_um)]


def _feature(text: str, material: str) -> Feature:
    from ..core.measurement.thermal_error import Feature
    from ..core.physics.expansion import material_of

    parts = [p.strip() for p in text.split(",")]
    try:
        name, length, tolerance = parts[0], float(parts[1]), float(parts[2])
    except (IndexError, ValueError):
        raise Refused(
            f"--feature {text!r}: expected NAME,MM,UM[,MATERIAL] as in 'bore,120,8,steel'."
        ) from None
    of = parts[3] if len(parts) > 3 else material
    if not of:
        raise Refused(f"--feature {text!r}: expected a material, in it or by --material.")
    _check_positive(f"length of feature {name!r}", length)
    _check_positive(f"tolerance of feature {name!r}", tolerance)
    return Feature(length, material_of(of), tolerance, name)


def _work(options: MeasurementOptions) -> Work:
    from ..core.measurement.thermal_error import Work
    from ..core.physics.expansion import material_of

    if options.adding_up not in ("gum", "b89"):
        raise Refused(f"--adding-up: expected gum or b89, found {options.adding_up!r}.")
    if options.share_allowed is not None and not 0 < options.share_allowed <= 1:
        raise Refused(
            f"--share-allowed: expected a share above 0, at most 1, found {options.share_allowed:g}."
        )
    return Work(
        scale=material_of(options.scale_material or "steel"),
        compensated=options.compensated or options.point_by_point,
        point_by_point=options.point_by_point,
        adding_up="b89" if options.adding_up == "b89" else "gum",
        drift=_drift(options),
        um_per_K=options.um_per_K,
        share_allowed=options.share_allowed,
    )


def _drift(options: MeasurementOptions) -> DriftCheck | None:
    from ..core.measurement.thermal_error import DriftCheck

    if options.tve_um is None:
        return None
    return DriftCheck(options.tve_um, options.tve_span_K, options.tve_on)


def _lags(options: MeasurementOptions, zone: ZoneInfo) -> tuple[Lag, Lag]:
    from ..core.measurement.temperatures import Lag

    if (options.arrived_at is None) != (options.arrived_C is None):
        raise Refused("--arrived-at and --arrived-C belong together: give both or neither.")
    at = parse(options.arrived_at, zone, "--arrived-at") if options.arrived_at else None
    part = Lag(options.part_tau_s, options.u_tau_s, at, options.arrived_C)
    return part, Lag(options.scale_tau_s)


def _check_positive(what: str, value: float) -> None:
    if not 0 < value < 1e9:
        raise Refused(f"{what}: expected a number above 0, found {value:g}.")
