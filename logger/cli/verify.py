"""The record as a whole: is it intact (`verify`), and a copy in open formats (`export`)."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ..errors import Refused, StoreDamaged
from ..model.figures import number_of
from .context import has_record, open_session, whole_or_interval
from .options import DEFAULT_DATA, AnyFrom, AnyTo, Config, Data, Json, Temperatures
from .output import answer

if TYPE_CHECKING:
    from ..store.types import Verification


def add_to(app: typer.Typer) -> None:
    app.command("verify", short_help="Verify that stored data are unchanged.")(verify)
    app.command("export", short_help="Readings as CSV, with a description.")(export)


Head = Annotated[
    list[str],
    typer.Option(
        "--head",
        metavar="NUMBER:SHA256",
        help="A head of the chain that left this machine, as a record prints it; may be repeated.",
    ),
]
Backups = Annotated[
    Path | None,
    typer.Option(
        "--backup", metavar="DIR", help="Folder of backups: compare with the heads and the rows there."
    ),
]


Verdicts_ = Annotated[
    bool,
    typer.Option(
        "--verdicts/--no-verdicts",
        help="Judge everything anew and compare with what is stored; default: yes.",
    ),
]


def verify(
    package: Annotated[
        Path | None,
        typer.Argument(metavar="[PACKAGE]", help="A package, folder or zip; default: the record."),
    ] = None,
    *,
    head: Head = [],  # noqa: B006 (read, never changed)
    backup: Backups = None,
    verdicts: Verdicts_ = True,
    data: Data = DEFAULT_DATA,
    config: Config = None,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Verify that stored data are unchanged. Names the first altered entry, batch or file.

    Exits with 0 where it is intact, with 10 where it is not, and with 11 where a part could not be read to be
    compared. The head of the chain proves this
    only against a copy of it that left the machine: print it, mail it or write it down, and give it
    with --head later. With --backup, the rows that were altered are named too, and every file of every backup
    there is read. Stored verdicts are judged anew and compared. The last lines say what was compared, and
    what was not.

    \b
    Example:
      stillroom verify --data /srv/room-east --backup /mnt/archive/room-east
    """
    if package is not None:
        _verify_package(package, as_json)
        return
    result = _verify_record(data, [_head(text) for text in head], backup, verdicts)
    number, sha256 = result.head
    payload = {
        "intact": result.intact,
        "faults": list(result.faults),
        "disposed": list(result.disposed),
        "entries": result.entries,
        "batches": result.batches,
        "files": result.files,
        "readings": result.readings,
        "head": {"number": number, "sha256": sha256},
        "compared": list(result.compared),
        "not_compared": [*result.unread, *result.left_out],
        "unread": list(result.unread),
    }
    first = _verdict(result)
    counts = (
        number_of(result.entries, "journal entry", "journal entries"),
        number_of(result.batches, "batch", "batches"),
        number_of(result.files, "archive file"),
        number_of(result.readings, "reading"),
    )
    lines = [first, *(f"  {fault}" for fault in result.faults), f"  {', '.join(counts)}"]
    lines += [f"  {line}" for line in result.disposed]
    lines += [f"  head of the chain: entry {number}, {sha256}"]
    lines += ["Compared:", *(f"  {line}" for line in result.compared)] if result.compared else []
    left_out = (*result.unread, *result.left_out)
    lines += ["Not compared:", *(f"  {line}" for line in left_out)] if left_out else []
    answer(payload, as_json, lines)
    if not result.intact:
        raise typer.Exit(10 if result.faults else 11)


def _written(readings: int, files: int, out: Path) -> str:
    """What an export wrote."""
    return f"{number_of(readings, 'reading')} in {number_of(files, 'file')} in {out}."


def _verdict(result: Verification) -> str:
    if result.faults:
        return "Verification FAILED:"
    if result.unread:
        return "Not shown whether all is unchanged: a part could not be compared. The rest is unchanged."
    return "Verified: the stored data are unchanged."


def _verify_package(path: Path, as_json: bool) -> None:
    from ..package import verify_package

    result = verify_package(path)
    payload = {
        "intact": result.intact,
        "faults": list(result.faults),
        "files": result.files,
        "records": result.records,
    }
    first = "Verified: the package is unchanged." if result.intact else "Verification of the package FAILED:"
    lines = [
        first,
        *(f"  {fault}" for fault in result.faults),
        f"  {number_of(result.files, 'file')}, {number_of(result.records, 'record')}",
    ]
    answer(payload | {"key": result.key}, as_json, [*lines, f"  signed by key {result.key or 'none'}"])
    if not result.intact:
        raise typer.Exit(10)


def _head(text: str) -> tuple[int, str]:
    """A head as people pass it on; Refused where it is none."""
    number, _, sha256 = text.strip().partition(":")
    if not number.isdecimal() or not re.fullmatch("[0-9a-fA-F]{64}", sha256.strip()):
        raise Refused(f"--head: expected NUMBER:SHA256, the SHA-256 with 64 digits; found {text!r}.")
    return int(number), sha256.strip().lower()


def _verify_record(
    data: Path, heads: list[tuple[int, str]], backup: Path | None, verdicts: bool
) -> Verification:
    """Verify the whole record without changing a byte; an unreadable file is a fault too."""
    from ..record.proof import verify_record
    from ..store import Store
    from ..store.types import Verification

    if not has_record(data):
        raise Refused(f"There is no data folder {data}; name the record to verify with --data DIR.")
    try:
        with Store.open(data, read_only=True) as store:
            return verify_record(store, heads, backup, verdicts=verdicts)
    except StoreDamaged as error:
        return Verification((str(error),), 0, 0, 0, 0, (0, ""))


def export(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new or empty folder to write into.")],
    form: Annotated[
        Literal["csv", "parquet"],
        typer.Option("--format", help="csv: readings of an interval. parquet: the whole record."),
    ] = "csv",
    start: AnyFrom = None,
    end: AnyTo = None,
    unit: Temperatures = "degC",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Write readings as CSV, or the whole record as Parquet, with a description of every column.

    Times are in UTC, values as the probes gave them; also readings that support no verdict, each with its
    quality and with what was decided on it; `--unit degF` adds a column in °F. `stillroom restore --from DIR`
    begins a new record from an export in Parquet, with the same readings and the same digests.

    \b
    Example:
      stillroom export --out october --from 2026-10-01 --to 2026-11-01
      stillroom export --out everything --format parquet
    """
    if form == "parquet":
        if unit != "degC":
            raise Refused("A Parquet export holds the values as received; --unit degF needs --format csv.")
        _export_all(out, start, end, data, as_json)
        return
    from ..record.export import export as write

    with open_session(data, config) as session:
        span = whole_or_interval(session, start, end) if start or end else None
        result = write(session.store, session.setup, span, out, session.now_ns, temperatures=unit)
    payload = {"folder": str(out), "files": result.files, "readings": result.readings}
    answer(payload, as_json, [_written(result.readings, len(result.files), out)])


def _export_all(out: Path, start: str | None, end: str | None, data: Path, as_json: bool) -> None:
    from ..record.names import Names
    from ..store import Store
    from ..store.exchange.export import ProvenNames
    from ..store.exchange.export import export as write

    if start or end:
        raise Refused(
            "A Parquet export holds the whole record; leave out --from and --to, or use --format csv."
        )
    if not has_record(data):
        raise Refused(f"There is no data folder {data}; name the record to export with --data DIR.")
    with Store.open(data, read_only=True) as store:
        names = Names(store)
        proven = ProvenNames(names.proven_versions(), names.proven_imports())
        result = write(store, out, time.time_ns(), proven)
    payload = {"folder": str(out), "files": list(result.files), "readings": result.readings}
    answer(payload, as_json, [_written(result.readings, len(result.files), out)])
