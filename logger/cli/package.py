"""The assessor's package: everything that is asked for at an audit, verifiable without this program."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .context import open_session, require_applied_setup, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, Config, Data, Json, Temperatures, Who
from .output import altered_lines, answer


def add_to(app: typer.Typer) -> None:
    app.command("package", short_help="A folder for the assessor, verifiable by sha256sum.")(package)


def package(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new folder to write into.")],
    start: AnyFrom = None,
    end: AnyTo = None,
    zipped: Annotated[bool, typer.Option("--zip", help="Also as DIR.zip.")] = False,
    unit: Temperatures = "degC",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Write everything of an interval, all zones, as a signed BagIt folder (RFC 8493).

    Records, readings as CSV and Parquet, setup with certificates and limits, imported originals, acts,
    inspections, reviews, a page that opens in any browser. `stillroom verify DIR`, `sha256sum -c` and
    `openssl` verify it.

    \b
    Example:
      stillroom package --from 2026-10-01 --to 2026-11-01 --out audit --zip
    """
    from ..package import pack

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.ISSUE)
        require_applied_setup(session)
        span = whole_or_interval(session, start, end)
        ours = session.store, session.verdicts(), span, out, name, session.now_ns
        written = pack(*ours, zipped=zipped, temperatures=unit)
    payload = {"path": str(written.path), "files": written.files, "bytes": written.size_bytes}
    payload |= {"manifest_sha256": written.manifest_sha256, "altered": list(written.altered)}
    first = f"{number_of(written.files, 'file')}, {written.size_bytes / 1e6:.1f} MB in {written.path}."
    lines = [
        first,
        f"  SHA-256 of the list of all of them: {written.manifest_sha256}",
        *altered_lines(written.altered),
    ]
    answer(payload, as_json, lines)
