"""The room during the verification of a coordinate machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..model.figures import number_of
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json, Zone
from .output import answer, table

if TYPE_CHECKING:
    from ..inspections.verification_log import LogRow

Lengths = Annotated[
    Path, typer.Argument(metavar="FILE", help="CSV: position, length_mm, repeat, from, to; a row a length.")
]


def verification(
    file: Lengths,
    *,
    zone: Zone,
    lower_degC: Annotated[
        float | None, typer.Option("--lower-degC", metavar="C", help="Stated lower limit of the air.")
    ] = None,
    upper_degC: Annotated[
        float | None, typer.Option("--upper-degC", metavar="C", help="Stated upper limit of the air.")
    ] = None,
    change: Annotated[
        float | None, typer.Option("--change-K-per-h", metavar="K", help="Stated limit of the change.")
    ] = None,
    gradient: Annotated[
        float | None, typer.Option("--gradient-K-per-m", metavar="K", help="Stated limit of the gradient.")
    ] = None,
    machine: Annotated[
        str, typer.Option("--machine", metavar="TEXT", help="Machine and serial number.")
    ] = "",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also write it to this file: .pdf or .csv.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The room before, during and after each length of a machine's verification, against stated limits.

    Limits are those that the maker states for acceptance, or the user for reverification (ISO 10360-2).

    \b
    Example:
      stillroom inspection verification lengths.csv --zone machine-bay --lower-degC 19 --upper-degC 21 \\
        --change-K-per-h 0.5 --gradient-K-per-m 0.5 --out log.pdf
    """
    from ..handouts.verification_paper import verification_pdf
    from ..inspections.verification_log import StatedLimits, log_csv, read_lengths, verification_log
    from ..store.files import write_durably

    if out is not None and out.suffix.lower() not in (".pdf", ".csv"):
        raise Refused(f"--out: expected a file that ends in .pdf or .csv, found {out.name!r}.")
    limits = StatedLimits(lower_degC, upper_degC, change, gradient)
    with open_session(data, config) as session:
        session.setup.zone(zone)
        lengths = read_lengths(file, session.zone_info)
        rows = verification_log(session.verdicts(), zone, lengths, limits, session.now_ns)
        if out is not None:
            simulated = session.store.simulated
            what = (zone, machine, limits)
            content = (
                log_csv(rows)
                if out.suffix.lower() == ".csv"
                else verification_pdf(session.setup, what, rows, simulated=simulated)
            )
            write_durably(out, content)
    payload: dict[str, Any] = {"zone": zone, "limits": vars(limits), "rows": [r.to_dict() for r in rows]}
    answer(payload, as_json, _lines(rows))


def _lines(rows: list[LogRow]) -> list[str]:
    within = sum(row.result == "kept" for row in rows)
    heads = (
        "position",
        "mm",
        "repeat",
        "before °C",
        "during °C",
        "after °C",
        "U K",
        "K/h",
        "K/m",
        "result",
        "",
    )
    cells = [
        (
            row.length.position, f"{row.length.length_mm:g}", row.length.repeat,
            *(_figure(s.mean_degC) for s in (row.before, row.during, row.after)), _figure(row.during.U_K),
            _figure(row.during.change_K_per_h), _figure(row.during.gradient_K_per_m), row.result, row.why,
        )
        for row in rows
    ]  # fmt: skip
    return [f"{number_of(len(rows), 'length')}, limits kept at {within}.", "", *table(heads, cells)]


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"
