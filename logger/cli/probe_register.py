"""The register of probes as a paper or as CSV."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from ..instants import parse
from ..model.figures import number_of
from .context import open_session
from .options import DEFAULT_DATA, Config, Data


def register(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File to write: .pdf or .csv.")],
    at: Annotated[
        str | None, typer.Option("--at", metavar="TIME", help="As it was at that time; default: now.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """The register with everything that ISO/IEC 17025, 6.4.13 asks for: as PDF or CSV.

    Serial number, firmware, range, resolution, position, certificate, laboratory and accreditation, dates,
    errors, U, k, and what an entry lacks. State the firmware in probes.toml.

    \b
    Example:
      stillroom probe register --out register.pdf
    """
    from ..handouts.probe_register import register_csv, register_pdf
    from ..store.files import write_durably

    if out.suffix.lower() not in (".pdf", ".csv"):
        raise Refused(f"--out: expected a file that ends in .pdf or .csv, found {out.name!r}.")
    with open_session(data, config, read_only=True) as session:
        at_ns = session.now_ns if at is None else parse(at, session.zone_info, "--at")
        if out.suffix.lower() == ".csv":
            content = register_csv(session.setup, at_ns)
        else:
            content = register_pdf(session.setup, at_ns, simulated=session.store.simulated)
        number = len(session.setup.channels)
    write_durably(out, content)
    typer.echo(f"{number_of(number, 'channel')} in {out}.")
