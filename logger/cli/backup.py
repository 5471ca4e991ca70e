"""The record kept elsewhere and brought back: `backup`, `restore`, `dispose`."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from ..errors import Refused, StillroomError, StoreDamaged
from ..instants import parse, rfc3339, wall
from ..model.figures import number_of
from ..model.roles import Act
from .authority import APPROVER_PASSWORD, authorised
from .context import has_record, load_folder, open_session, require_applied_setup
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer, table

if TYPE_CHECKING:
    from ..inspections.case_record import CaseRecord
    from ..record.disposal import Losses
    from ..store.backup.backup import BackupReport
    from ..store.backup.catalogue import Generation

To = Annotated[
    Path | None,
    typer.Option("--to", metavar="DIR", help="Folder for backups; default: the one in service.toml."),
]
Number = Annotated[
    str | None,
    typer.Option("--generation", metavar="NUMBER", help="Which backup; default: the newest good one."),
]


def add_to(app: typer.Typer) -> None:
    app.command("backup", short_help="Copy all data elsewhere and test the copy.")(backup)
    app.command("dispose", short_help="Dispose of closed months; takes two people.")(dispose)
    app.command("restore", short_help="Restore into an empty folder.")(restore)


def backup(
    *,
    to: To = None,
    keep: Annotated[
        int | None,
        typer.Option("--keep", metavar="N", min=1, help="Number of good backups to keep; default 14."),
    ] = None,
    anew: Annotated[
        bool, typer.Option("--anew", help="This folder is a new disk: earlier backups are not expected here.")
    ] = False,
    list_only: Annotated[
        bool, typer.Option("--list", help="Only list the backups there, reading each.")
    ] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Copy the whole record into a folder while the service runs, restore it for trial, and verify that.

    Exits with 0 where the copy is intact and with 10 where the record or the folder is not.

    \b
    Example:
      stillroom backup --to /mnt/archive/room-east
    """
    if list_only and to is not None:
        _list(to, _clock_of(data, config), as_json)
        return
    with open_session(data, config) as session:
        plan = session.config.backup
        target = to or (Path(plan.folder) if plan else None)
        if target is None:
            raise Refused("Name a folder with --to DIR, or enter [backup] in service.toml.")
        if list_only:
            _list(target, session.wall, as_json)
            return
        name = authorised(session.store, who, Act.BACK_UP)
        report = _back_up(session.store, target, name, keep or (plan.keep if plan else 14), anew)
        newest = session.wall(report.newest_ns)

    from ..store.backup.backup import report_dict

    answer(report_dict(report), as_json, _lines(report, target, newest))
    if not report.intact:
        raise typer.Exit(10)


def _back_up(store: Any, target: Path, who: str, keep: int, anew: bool) -> BackupReport:
    from ..record.proof import altered_verdicts
    from ..store.backup.backup import backup as make

    try:
        return make(store, target, who, time.time_ns(), keep=keep, anew=anew, also=altered_verdicts)
    except StillroomError as error:
        what = {"event": "backup-failed", "folder": str(target), "error": str(error)[:500]}
        store.journal.append("event", who, what)
        raise


def _lines(report: BackupReport, target: Path, newest: str) -> list[str]:
    first = f"Backup {report.backup} in {target}: test restore passed."
    if not report.intact:
        first = f"Backup {report.backup} in {target} is not intact; earlier ones stay:"
    return [
        first,
        *(f"  {fault}" for fault in report.faults),
        f"  {number_of(report.files, 'file')}, {report.copied} of them new; "
        f"{number_of(report.readings, 'reading')}, {f'up to {newest}' if newest else 'none yet'}",
        f"  head of the chain: entry {report.head[0]}, {report.head[1]}",
        *([f"  removed: {', '.join(report.removed)}"] if report.removed else []),
    ]


def _clock_of(data: Path, config: Path | None = None) -> Callable[[int | None], str]:
    """What writes a time in that of the room of a folder; where none is known, in UTC, and says so."""
    from ..config import in_force
    from ..store import Store

    with suppress(StillroomError):
        if config is not None:
            return partial(_local, zone=ZoneInfo(load_folder(config).setup.room.timezone))
        if has_record(data):
            with Store.open(data, read_only=True) as store:
                versions = store.setups.versions()
                if versions:
                    return partial(_local, zone=ZoneInfo(in_force(versions).setup.room.timezone))
    return _utc


def _local(at_ns: int | None, zone: ZoneInfo) -> str:
    return "" if at_ns is None else wall(at_ns, zone)


def _utc(at_ns: int | None) -> str:
    return "" if at_ns is None else f"{wall(at_ns, ZoneInfo('UTC')).rpartition(' ')[0]} UTC"


def _list(target: Path, clock: Callable[[int | None], str], as_json: bool) -> None:
    from ..store.backup.catalogue import generations, is_target
    from ..store.backup.scrub import scrub

    if not target.is_dir() or not is_target(target):
        raise Refused(f"{target} is not a backup folder; name one with --to DIR.")
    read = scrub(target)
    rows = [
        _generation_dict(generation, read.faults.get(generation.name, ()))
        for generation in generations(target)
    ]
    utc = ZoneInfo("UTC")
    cells = [
        [
            *(row[name] for name in ("backup", "state", "files", "head")),
            clock(row["newest_reading"] and parse(row["newest_reading"], utc)),
        ]
        for row in rows
    ]
    lines = table(["backup", "state", "files", "head", "newest reading"], cells)
    lines += [f"  {fault}" for fault in read.sentences]
    answer(rows, as_json, lines if rows else ["There are no backups yet."])
    if read.faults:
        raise typer.Exit(10)


def _generation_dict(generation: Generation, faults: Sequence[str]) -> dict[str, Any]:
    """A backup whose files were just read, as plain data: state, files, head, faults."""
    if not generation.readable:
        facts: dict[str, Any] = {"files": 0, "head": 0, "newest_reading": None, "faults": list(faults)}
        return {"backup": generation.name, "state": "unreadable", **facts}
    state = "good" if generation.good else "not intact" if generation.report else "never restored"
    newest = generation.manifest.get("newest_reading")
    facts = {
        "files": len(generation.files),
        "head": generation.head[0],
        "newest_reading": newest,
        "faults": list(faults),
    }
    return {"backup": generation.name, "state": "damaged" if faults else state, **facts}


def restore(
    *,
    source: Annotated[Path, typer.Option("--from", metavar="DIR", help="Folder of backups, or an export.")],
    generation: Number = None,
    test_of: Annotated[
        Path | None,
        typer.Option(
            "--test-of", metavar="DIR", help="Make this a restore test, journalled in the record in DIR."
        ),
    ] = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Bring a record back into a new or empty folder, and verify it there. Nothing is ever overwritten.

    Exits with 0 where what came back is intact and with 10 where it is not.

    \b
    Example:
      stillroom restore --from /mnt/archive/room-east --data /srv/room-east
    """
    from ..store.backup.restore import restore as put
    from ..store.backup.restore import try_restore
    from ..store.exchange.load import is_export, load_export

    if test_of is not None and not has_record(test_of):
        raise Refused(f"There is no data folder {test_of}; name the record whose backup is tested.")
    try:
        if is_export(source) and test_of is None:
            restored = load_export(source, data, person(who), time.time_ns())
        elif test_of is None:
            restored = put(source, data, person(who), generation)
        else:
            restored = try_restore(source, data, test_of, _tester(test_of, who), generation)
    except StoreDamaged as error:
        answer({"intact": False, "faults": str(error).splitlines()}, as_json, [str(error)])
        raise typer.Exit(10) from error
    result = restored.verification
    newest = None if restored.newest_ns is None else rfc3339(restored.newest_ns)
    payload = {
        "from": restored.generation,
        "taken": rfc3339(restored.at_ns),
        "newest_reading": newest,
        "readings": result.readings,
        "intact": result.intact,
        "faults": list(result.faults),
    }
    state, clock = "intact" if result.intact else "not intact:", _clock_of(data)
    until = clock(restored.newest_ns) or "none"
    lines = [
        f"Restored {restored.generation}, taken {clock(restored.at_ns)}, into {data}: {state}",
        *(f"  {fault}" for fault in result.faults),
        f"  {number_of(result.readings, 'reading')}, up to {until}; later readings are not in it",
    ]
    answer(payload, as_json, lines)
    if not result.intact:
        raise typer.Exit(10)


def _tester(record: Path, who: str) -> str:
    """The name under which a record is told of a restore test."""
    from ..store import Store

    with Store.open(record) as store:
        return authorised(store, who, Act.BACK_UP)


def dispose(
    *,
    before: Annotated[
        str,
        typer.Option(
            "--before", metavar="TIME", help="Months that ended by this time; written like --from elsewhere."
        ),
    ],
    approver: Annotated[
        str, typer.Option("--approver", metavar="NAME", help="The second person, who approves.")
    ],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, for the journal.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would be disposed of.")] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Dispose of whole sealed months for good, where the retention rule of the setup in force allows it.

    A month stays while a case in it is not closed, or while a day of it was not reviewed where the setup
    asks for reviews. A dry run lists the cases, inspections and records that would lose their readings.
    Where accounts exist, both people have one. Digests stay in the journal; `verify` names who disposed of
    them. A backup keeps them until it is disposed of itself. A refused attempt is in the journal.

    \b
    Example:
      stillroom dispose --before 2016-01-01 --who "Greta Holm" --approver "Ines Faber" --why "QM 4.2"
    """
    from ..record.disposal import dispose as let_go
    from ..store.disposal import DisposalRequest

    with open_session(data, config) as session:
        require_applied_setup(session)
        first = authorised(session.store, who, Act.PROPOSE)
        second = authorised(session.store, approver, Act.APPROVE, variable=APPROVER_PASSWORD)
        request = DisposalRequest(parse(before, session.zone_info, "--before"), first, second, why)
        keep_years = session.config.keep_years
        cadences = session.config.reviews
        disposed, losing = let_go(
            session.verdicts(), request, session.now_ns, keep_years, cadences=cadences, dry_run=dry_run
        )
        zone = session.zone_info
    payload = {
        "entry": disposed.number,
        "files": list(disposed.files),
        "readings": disposed.readings,
        "dry_run": dry_run,
    }
    payload |= {"losing": losing.to_dict()}
    verb = "Would dispose of" if dry_run else "Disposed of"
    first = f"{verb} {number_of(len(disposed.files), 'file')} with {number_of(disposed.readings, 'reading')}."
    answer(payload, as_json, [first, *(f"  {file}" for file in disposed.files), *_losing_lines(losing, zone)])


def _losing_lines(losing: Losses, zone: ZoneInfo) -> list[str]:
    """What rests on those readings, and what holds them back."""
    jobs = ", ".join(losing.inspections) or "none"
    records = ", ".join(map(str, losing.records)) or "none"
    lines = [
        f"  {number_of(losing.excursions, 'excursion')}; inspections: {jobs}; issued records: {records}",
        *(f"  {_case_line(r, zone)}" for r in losing.cases),
    ]
    if losing.undecided:
        lines.append(f"Held back: {number_of(len(losing.undecided), 'case')} to be closed first:")
        lines += [f"  {_case_line(r, zone)}" for r in losing.undecided[:20]]
    if losing.unreviewed:
        lines.append(f"Held back: {number_of(len(losing.unreviewed), 'month')} to be reviewed first:")
        lines.append(f"  {', '.join(losing.unreviewed)}")
    return lines


def _case_line(record: CaseRecord, zone: ZoneInfo) -> str:
    return f"case {record.number}, {record.case.zone}, from {wall(record.case.from_ns, zone)}"
