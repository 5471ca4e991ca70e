"""Bring files of data loggers into the record."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import ImportRefused, Refused
from ..model.figures import number_of
from ..model.roles import Act
from ..processes.confined import start_early
from .authority import authorised
from .context import Session, has_record, open_or_begin, open_or_create, require_applied_setup
from .import_results import preview_dict, result_dict, result_lines
from .options import DEFAULT_CONFIG, DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer

if TYPE_CHECKING:
    from ..imports import ImportResult, Profile
    from ..imports.describing import Description
    from ..imports.preview import Preview
    from ..model import Setup

MOST_LEFT_OUT = 10_000
_SLOW_S = 1.0  # what takes longer says what it is doing


def add_to(app: typer.Typer) -> None:
    app.command("import", short_help="Import files of data loggers.")(imports)


def imports(
    files: Annotated[
        list[Path] | None, typer.Argument(metavar="[FILE]...", help="Files to import, or one folder.")
    ] = None,
    *,
    profile: Annotated[
        str | None,
        typer.Option(
            "--profile",
            metavar="NAME|FILE",
            help="How to read them: a name in config/profiles, one used before, or a file; default: the one "
            "that fits.",
        ),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show what would be stored, and all that is assumed.")
    ] = False,
    leave_out: Annotated[
        list[str] | None,
        typer.Option(
            "--leave-out",
            metavar="LINES",
            help="Lines of the one file to leave out, such as 17 or 120-125; recorded with their text. "
            "May be repeated.",
        ),
    ] = None,
    describe: Annotated[
        bool, typer.Option("--describe", help="Write a profile for a file, with the questions that are open.")
    ] = False,
    draft: Annotated[
        Path | None,
        typer.Option(
            "--draft",
            metavar="DIR",
            help="Write a configuration for a file into a new folder: probes, channels, positions, profile.",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Where --describe writes; default: here.")
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option("--watch", metavar="DIR", help="Import what comes into this folder, until stopped."),
    ] = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Import files of data loggers: each whole or not at all, and twice is the same as once.

    Text, workbooks, JSON, SenML and Parquet, also packed with gzip or zip. What the file does not prove
    (date order, decimal sign, zone, units) the profile must declare; otherwise nothing is stored and the
    open question is named. Originals are kept, bit for bit.

    \b
    Examples:
      stillroom import sample_logs/machine-bay.csv --dry-run
      stillroom import new-logger.csv --describe --out config/profiles/new-logger.toml
      stillroom import --watch /srv/loggers --profile machine-bay
    """
    without = _lines_named(leave_out or [])
    one_file = len(files or []) == 1 and not any(file.is_dir() for file in files or [])
    if without and (watch or draft or describe or not one_file):
        raise Refused("--leave-out names lines of one file: import that file alone. Nothing was imported.")
    if watch is not None:
        watch_folder(watch, profile, who, data, config)
    elif not files:
        raise Refused("Name the files to import, or a folder with --watch; nothing was imported.")
    elif draft is not None:
        _draft(files, draft)
    elif describe:
        _describe(files, out, data, config)
    elif any(file.is_dir() for file in files):
        _import_folder(files, profile, dry_run, who, data, config)
    else:
        _import(files, profile, dry_run, who, data, config, as_json, without)


def _lines_named(named: Sequence[str]) -> frozenset[int]:
    """Numbers of lines from "17" and "120-125"; Refused for anything else."""
    numbers: set[int] = set()
    for text in named:
        match = re.fullmatch(r"([1-9]\d{0,8})(?:-([1-9]\d{0,8}))?", text.strip())
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not first <= last < first + MOST_LEFT_OUT:
            raise Refused(
                f"--leave-out: enter a line or a range of at most {MOST_LEFT_OUT}, such as 17 or 120-125. "
                f"You entered {text!r}."
            )
        numbers |= set(range(first, last + 1))
    return frozenset(numbers)


def _import(  # noqa: PLR0917 (the options of the command)
    files: Sequence[Path],
    profile: str | None,
    dry_run: bool,
    who: str,
    data: Path,
    config: Path | None,
    as_json: bool,
    without: frozenset[int],
) -> None:
    say = _progress_writer()
    start_early()
    if not dry_run and not has_record(data):
        with _record(data, config, who, dry_run=True) as scratch:  # a refusal leaves no new folder behind
            _try_all(scratch, files, profile, say, without)
    with _record(data, config, who, dry_run) as session:
        name, zone = _importer(session, who, dry_run), session.zone_info
        shown: list[Preview | None] = []
        if dry_run:
            trials = _try_all(session, files, profile, say, without)
            results, shown = [result for _, _, result, _ in trials], [preview for *_, preview in trials]
        else:
            results = _import_all(session, files, profile, name, say, without)
    payload = [result_dict(r, dry_run) for r in results]
    for body, trial_preview in zip(payload, shown, strict=False):
        body["preview"] = None if trial_preview is None else preview_dict(trial_preview)
    answer(payload, as_json, result_lines(results, dry_run, shown, zone))


def _import_all(  # noqa: PLR0917
    session: Session,
    files: Sequence[Path],
    profile: str | None,
    who: str,
    say: Callable[[str], None],
    without: frozenset[int],
) -> list[ImportResult]:
    """Import files, none where one is refused; one alone needs no trial, and is read once."""
    if len(files) > 1:
        trials = _try_all(session, files, profile, say, without)
        return [import_one(session, file, how, who, say, without) for file, how, _, _ in trials]
    require_applied_setup(session)
    with _leave_out_hint():
        return [import_one(session, files[0], profile_for(session, files[0], profile), who, say, without)]


def _try_all(
    session: Session,
    files: Sequence[Path],
    profile: str | None,
    say: Callable[[str], None],
    without: frozenset[int] = frozenset(),
) -> list[tuple[Path, Profile, ImportResult, Preview | None]]:
    """Read all files before any is stored, so that a refusal of the last stores none of them."""
    from ..imports.importer import orders_of, refuse_two_orders

    require_applied_setup(session)
    pairs = [(file, profile_for(session, file, profile)) for file in files]
    trials = [(file, how, *_try_file(session, file, how, say, without)) for file, how in pairs]
    orders = orders_of(session.store)
    for file, how, result, _ in trials:
        orders.append((file.name, how.name, result.assumed))
        refuse_two_orders(orders)
    return trials


def _describe(files: Sequence[Path], out: Path | None, data: Path, config: Path | None) -> None:
    """Write the profile to a file, or print it; the questions go to the terminal in either case."""
    description = _description(files, _known_setup(data, config))
    if out is None:
        typer.echo(description.text, nl=False)
        return
    if out.exists():
        raise Refused(f"{out} is there already and was left as it is; name another file with --out.")
    out.write_text(description.text, encoding="utf-8")
    typer.echo(f"{out} is written. Questions still open ({len(description.questions)}):")
    for question in description.questions:
        typer.echo(f"  {question}")


def _description(files: Sequence[Path], setup: Setup | None) -> Description:
    from ..imports.importer import content_of
    from ..imports.outside import description_of

    if len(files) != 1:
        raise Refused("Name one file to describe.")
    return description_of(files[0].name, content_of(files[0]), setup)


def _known_setup(data: Path, config: Path | None) -> Setup | None:
    """The setup whose channels a file may name; None where there is neither a record nor a configuration."""
    if config is None and not has_record(data) and not DEFAULT_CONFIG.is_dir():
        return None
    with _record(data, config, "", dry_run=True) as session:
        return session.setup


def _draft(files: Sequence[Path], folder: Path) -> None:
    """Write a configuration folder drafted from one file; open questions are marked in it and printed."""
    from ..imports.drafting import draft, open_questions

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(f"{folder} is there already and was left as it is; name a new folder with --draft.")
    description = _description(files, None)
    for name, text in draft(description).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    typer.echo(f"{folder} is written. Edit the lines marked EDIT in room.toml and answer in profiles/:")
    for question in open_questions(description):
        typer.echo(f"  {question}")
    typer.echo(f"Then: stillroom import {files[0]} --config {folder}")


def _import_folder(  # noqa: PLR0917
    files: Sequence[Path], profile: str | None, dry_run: bool, who: str, data: Path, config: Path | None
) -> None:
    """Import each file of a folder by itself: refused files are listed with reasons, the others stored."""
    from ..imports.importer import plain_name
    from ..imports.watching import Folder

    if len(files) != 1:
        raise Refused("Name one folder alone, or files.")
    say, refused, count = _progress_writer(), 0, 0
    with _record(data, config, who, dry_run) as session:
        name = _importer(session, who, dry_run)
        require_applied_setup(session)

        def bring(path: Path) -> ImportResult:
            how = profile_for(session, path, profile)
            if dry_run:
                return _try_file(session, path, how, say, frozenset())[0]
            return import_one(session, path, how, name, say)

        for outcome in Folder(files[0], quiet_s=0).outcomes(bring, 0):
            count, refused = count + 1, refused + (outcome.state == "refused")
            result = outcome.result
            summary = (
                outcome.why
                if result is None
                else f"{number_of(result.stored, 'reading')} stored, {result.duplicates} there already"
            )
            typer.echo(f"{plain_name(outcome.path)}: {summary}")
    if not count:
        raise Refused(
            f"{files[0]} has no file in it; nothing was imported. Name the folder with the exports."
        )
    if refused:
        raise Refused(f"{refused} of {count} files in {files[0]} were not imported; see above.")


@contextmanager
def _record(data: Path, config: Path | None, who: str, dry_run: bool) -> Iterator[Session]:
    """The data folder; a dry run without one uses a temporary folder and leaves nothing."""
    if has_record(data) or not dry_run:
        begins = not has_record(data)
        with open_or_create(data, config, person(who)) as session:
            if begins:
                typer.echo(f"A new record was begun in {data}.", err=True)
            yield session
        return
    with (
        TemporaryDirectory(prefix="stillroom-trial-") as scratch,
        open_or_create(Path(scratch) / "data", config, who or "trial") as session,
    ):
        yield session


def _importer(session: Session, who: str, dry_run: bool) -> str:
    """The name that the import is done under; a trial changes nothing and asks nobody."""
    return person(who) if dry_run else authorised(session.store, who, Act.MARK)


def _progress_writer() -> Callable[[str], None]:
    """A function that prints progress on standard error once the command has taken over a second."""
    begin = time.monotonic()

    def say(line: str) -> None:
        if time.monotonic() - begin > _SLOW_S:
            typer.echo(line, err=True)

    return say


def _try_file(
    session: Session, file: Path, how: Profile, say: Callable[[str], None], without: frozenset[int]
) -> tuple[ImportResult, Preview | None]:
    from ..imports import ImportResult
    from ..imports.importer import checked, identity_of, private_copy, trial
    from ..imports.preview import preview_of
    from ..imports.samples import refuse_invented, refuse_simulated

    with _leave_out_hint(), private_copy(file) as copy:
        sha256, beginning = identity_of(copy)
        if session.store.imports.find(sha256) is not None:
            return ImportResult(sha256, file.name, already=True), None
        refuse_simulated(file.name, sha256, beginning, simulated=session.store.simulated)
        say(f"{file.name}: reading")
        reading = checked(file.name, copy, how, session.setup, session.now_ns, without)
    if reading.simulated:
        refuse_invented(file.name, simulated=session.store.simulated)
    return trial(file.name, sha256, reading, session.store), preview_of(reading)


@contextmanager
def _leave_out_hint() -> Iterator[None]:
    """A refusal says how to import the rest, where one line alone cannot be read."""
    try:
        yield
    except ImportRefused as refused:
        if refused.bad_line is None:
            raise
        raise ImportRefused(
            f"{refused} To import the other lines, and record that this one is left out, import the file "
            f"alone with --leave-out {refused.bad_line}."
        ) from None


def import_one(  # noqa: PLR0917
    session: Session,
    file: Path,
    how: Profile,
    who: str,
    say: Callable[[str], None] | None = None,
    without: frozenset[int] = frozenset(),
) -> ImportResult:
    """Import one file into an open record, but for lines left out by name."""
    from ..imports import import_file

    return import_file(
        file, how, session.store, session.setup, who, time.time_ns(), report=say, without=without
    )


def profile_for(session: Session, file: Path, name: str | None) -> Profile:
    """The profile that was named, or the one that fits the name of the file."""
    from ..imports import choose_profile, known_profiles, load_profile

    if not file.exists():
        raise Refused(f"There is no file {file}; nothing was imported.")
    if name is not None and Path(name).suffix == ".toml":
        return load_profile(Path(name))
    profiles = known_profiles(session.config.texts, session.store.imports.all())
    if name is None:
        return choose_profile(file, profiles.values())
    if name not in profiles:
        names = ", ".join(sorted(profiles)) or "none"
        raise Refused(
            f"There is no profile {name!r}. The setup has: {names}; or name a file ending in .toml."
        )
    return profiles[name]


EVERY_S = 2.0


def watch_folder(folder: Path, profile: str | None, who: str, data: Path, config: Path | None) -> None:
    """Import new files of a folder until Ctrl-C; prints the outcome of each."""
    from ..imports.watching import Folder
    from ..processes.stop_request import StopRequest

    watched = Folder(folder)
    with (
        open_or_begin(data, config, person(who), begin=False) as session,
        StopRequest() as stop,
    ):
        name = _importer(session, who, dry_run=False)
        require_applied_setup(session)
        typer.echo(f"Watching {folder}; Ctrl-C ends it.")
        while not stop.requested:
            _import_new(session, watched, profile, name)
            until = time.monotonic() + EVERY_S
            stop.wait(lambda until=until: time.monotonic() < until)  # type: ignore[misc]


def _import_new(session: Session, watched: object, profile: str | None, who: str) -> None:
    from ..imports.importer import plain_name
    from ..imports.watching import Folder
    from ..service.folder import journal_refusal

    assert isinstance(watched, Folder)  # noqa: S101 (imported late)
    outcomes = watched.outcomes(
        lambda path: import_one(session, path, profile_for(session, path, profile), who), time.monotonic()
    )
    for outcome in outcomes:
        if outcome.state == "refused":
            journal_refusal(session.store, outcome, who)
        typer.echo(f"{plain_name(outcome.path)}: {outcome.why or outcome.state}")
