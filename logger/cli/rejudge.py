"""Whole records judged anew, of one room or of many, by one process or by workers."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..model.figures import number_of
from .options import DEFAULT_DATA, Data, Json
from .output import answer

if TYPE_CHECKING:
    from ..rooms.registry import RoomEntry
    from ..rooms.rejudging import YearResult


def add_to(app: typer.Typer) -> None:
    app.command("rejudge", short_help="Judge whole records anew, by workers where there are many.")(rejudge)


def rejudge(
    *,
    rooms: Annotated[
        Path | None, typer.Option("--rooms", metavar="FILE", help="All rooms of this list, not of --data.")
    ] = None,
    only: Annotated[
        str, typer.Option("--only", metavar="PATTERN", help="Only rooms whose key matches, as 'hall-*'.")
    ] = "*",
    workers: Annotated[
        int, typer.Option("--workers", metavar="N", min=0, help="Number of processes on this machine.")
    ] = 0,
    scheduler: Annotated[
        str, typer.Option("--scheduler", metavar="ADDRESS", help="A Dask scheduler: tls://HOST:PORT.")
    ] = "",
    ca: Annotated[
        Path | None,
        typer.Option("--ca", metavar="FILE", help="Authority that signed the scheduler's side (PEM)."),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="Certificate of this side (PEM).")
    ] = None,
    key: Annotated[Path | None, typer.Option("--key", metavar="FILE", help="Its key (PEM).")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Compare with what is stored; store nothing.")
    ] = False,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Judge every year of every zone anew from its readings, and store the days that differ.

    Prints a line for each year of a zone with the digest of its verdicts. Exits with 0 where all are as
    stored, with 10 where some changed, with 11 where some could not be judged.

    \b
    Examples:
      stillroom rejudge --data /srv/room-east --dry-run
      stillroom rejudge --rooms rooms.toml --workers 2
    """
    from ..rooms import rejudging

    work = list(rejudging.plan(_entries(rooms, only, data), time.time_ns()))
    results: list[YearResult] = []
    with ExitStack() as stack:
        stream: Iterator[YearResult]
        if scheduler:
            paths = _required(ca, certificate, key)
            client = stack.enter_context(rejudging.remote_workers(scheduler, *paths))
            stream = rejudging.rejudge_by_workers(work, client, dry_run=dry_run)
        elif workers:
            client = stack.enter_context(rejudging.local_workers(workers))
            stream = rejudging.rejudge_by_workers(work, client, dry_run=dry_run)
        else:
            stream = rejudging.rejudge_here(work, dry_run=dry_run)
        for result in stream:
            results.append(result)
            if not as_json:
                typer.echo(_line(result))
    _conclude(results, as_json=as_json)


def _conclude(results: Sequence[YearResult], *, as_json: bool) -> None:
    changed, failed = sum(r.changed for r in results), sum(bool(r.why) for r in results)
    years = sum(not r.why for r in results)
    summary = f"{number_of(years, 'year')} judged, {number_of(changed, 'day')} changed, {failed} not judged."
    rows: list[dict[str, Any]] = [vars(r) for r in results]
    answer(rows, as_json, [summary])
    raise typer.Exit(11 if failed else 10 if changed else 0)


def _line(result: YearResult) -> str:
    where = " ".join(part for part in (result.room, result.zone, str(result.year or "")) if part)
    if result.why:
        return f"{where}: not judged: {result.why}"
    remark = "" if result.stored or not result.changed else ", not stored"
    return f"{where}: {number_of(result.days, 'day')}, {result.changed} changed{remark}, {result.digest}"


def _entries(rooms: Path | None, only: str, data: Path) -> list[RoomEntry]:
    from fnmatch import fnmatchcase

    from ..rooms.registry import RoomEntry, read
    from .context import has_record

    if rooms is None:
        if not has_record(data):
            raise Refused(
                f"There is no data folder {data}. Name one with --data DIR, or a list with --rooms."
            )
        return [RoomEntry(data.name, data, "")]
    registry = read(rooms)
    entries = [entry for key, entry in registry.rooms.items() if fnmatchcase(key, only)]
    if not entries:
        raise Refused(f"--only: no room of {rooms} matches {only!r}. It has: {', '.join(registry.rooms)}.")
    return entries


def _required(ca: Path | None, certificate: Path | None, key: Path | None) -> tuple[Path, Path, Path]:
    if ca is None or certificate is None or key is None:
        raise Refused("--scheduler needs TLS with certificates of both sides: --ca, --certificate and --key.")
    return ca, certificate, key
