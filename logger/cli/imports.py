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
from ..processes.confined import start_early
from ..service.stop_request import StopRequest
from .context import Opened, applied_setup, has_record, opened_or_new
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
    app.command("import", short_help="Bring in files of data loggers.")(imports)


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
            help="Lines of the one file that are not to be read, such as 17 or 120-125; on record with their "
            "text. May be given several times.",
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
    if watch is not None:
        watch_folder(watch, profile, person(who), data, config)
    elif not files:
        raise Refused("Name the files to import, or a folder with --watch; nothing was imported.")
    elif draft is not None:
        _draft(files, draft)
    elif describe:
        _describe(files, out, data, config)
    elif any(file.is_dir() for file in files):
        _import_folder(files, profile, dry_run, person(who), data, config)
    else:
        without = _lines_named(leave_out or [], files)
        _import(files, profile, dry_run, person(who), data, config, as_json, without)


def _lines_named(named: Sequence[str], files: Sequence[Path]) -> frozenset[int]:
    """Numbers of lines from "17" and "120-125"; Refused for anything else, or for several files."""
    found: set[int] = set()
    for text in named:
        match = re.fullmatch(r"([1-9]\d{0,8})(?:-([1-9]\d{0,8}))?", text.strip())
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not first <= last < first + MOST_LEFT_OUT:
            raise Refused(
                f"--leave-out: enter a line or a range of at most {MOST_LEFT_OUT}, such as 17 or "
                f"120-125. You "
                f"entered {text!r}."
            )
        found |= set(range(first, last + 1))
    if found and len(files) != 1:
        raise Refused("--leave-out names lines of one file: import that file alone.")
    return frozenset(found)


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
    say = _teller()
    start_early()
    if not dry_run and not has_record(data):
        with _record(data, config, who, dry_run=True) as scratch:  # a refusal leaves no new folder behind
            _all_tried(scratch, files, profile, say, without)
    with _record(data, config, who, dry_run) as found:
        tried = _all_tried(found, files, profile, say, without)
        done = [result for _, _, result, _ in tried]
        if not dry_run:
            done = [imported(found, file, how, who, say, without) for file, how, _, _ in tried]
    shown = [preview for *_, preview in tried] if dry_run else []
    payload = [result_dict(r, dry_run) for r in done]
    for body, seen in zip(payload, shown, strict=False):
        body["preview"] = None if seen is None else preview_dict(seen)
    answer(payload, as_json, result_lines(done, dry_run, shown))


def _all_tried(
    found: Opened,
    files: Sequence[Path],
    profile: str | None,
    say: Callable[[str], None],
    without: frozenset[int] = frozenset(),
) -> list[tuple[Path, Profile, ImportResult, Preview | None]]:
    """All are read before any is stored, so that a refusal of the last leaves nothing of the first."""
    from ..imports.importer import orders_of, refuse_two_orders

    applied_setup(found)
    pairs = [(file, profile_for(found, file, profile)) for file in files]
    tried = [(file, how, *_tried(found, file, how, say, without)) for file, how in pairs]
    told = orders_of(found.store)
    for file, how, result, _ in tried:
        told.append((file.name, how.name, result.assumed))
        refuse_two_orders(told)
    return tried


def _describe(files: Sequence[Path], out: Path | None, data: Path, config: Path | None) -> None:
    """Write the profile to a file, or print it; the questions go to the terminal in either case."""
    made = _description(files, _known_setup(data, config))
    if out is None:
        typer.echo(made.text, nl=False)
        return
    if out.exists():
        raise Refused(f"{out} is there already and was left as it is; name another file with --out.")
    out.write_text(made.text, encoding="utf-8")
    typer.echo(f"{out} is written. {len(made.questions)} question(s) are open:")
    for question in made.questions:
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
    with _record(data, config, "", dry_run=True) as found:
        return found.setup


def _draft(files: Sequence[Path], folder: Path) -> None:
    """A new configuration folder from one file; what no file tells is marked in it and named here."""
    from ..imports.drafting import draft, open_questions

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(f"{folder} is there already and was left as it is; name a new folder with --draft.")
    made = _description(files, None)
    for name, text in draft(made).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    typer.echo(f"{folder} is written. Edit the lines marked EDIT in room.toml and answer in profiles/:")
    for question in open_questions(made):
        typer.echo(f"  {question}")
    typer.echo(f"Then: stillroom import {files[0]} --config {folder}")


def _import_folder(  # noqa: PLR0917
    files: Sequence[Path], profile: str | None, dry_run: bool, who: str, data: Path, config: Path | None
) -> None:
    """Every file of a folder by itself: what is refused is named with its reason, the others come in."""
    from ..imports.importer import plain_name
    from ..imports.watching import Folder

    if len(files) != 1:
        raise Refused("Name one folder alone, or files.")
    say, refused, count = _teller(), 0, 0
    with _record(data, config, who, dry_run) as found:
        applied_setup(found)

        def bring(path: Path) -> ImportResult:
            how = profile_for(found, path, profile)
            if dry_run:
                return _tried(found, path, how, say, frozenset())[0]
            return imported(found, path, how, who, say)

        for one in Folder(files[0], quiet_s=0).outcomes(bring, 0):
            count, refused = count + 1, refused + (one.state == "refused")
            done = one.result
            told = (
                one.why if done is None else f"{done.stored} readings stored, {done.duplicates} there already"
            )
            typer.echo(f"{plain_name(one.path)}: {told}")
    if refused or not count:
        raise Refused(f"{refused} of {count} files in {files[0]} were not imported; see above.")


@contextmanager
def _record(data: Path, config: Path | None, who: str, dry_run: bool) -> Iterator[Opened]:
    """The data folder; a trial where there is none yet happens in a scratch one and leaves nothing."""
    if has_record(data) or not dry_run:
        with opened_or_new(data, config, who) as found:
            yield found
        return
    with (
        TemporaryDirectory(prefix="stillroom-trial-") as scratch,
        opened_or_new(Path(scratch) / "data", config, who or "trial") as found,
    ):
        yield found


def _teller() -> Callable[[str], None]:
    """Tells on standard error what is being done, once it has taken longer than a second."""
    begin = time.monotonic()

    def say(line: str) -> None:
        if time.monotonic() - begin > _SLOW_S:
            typer.echo(line, err=True)

    return say


def _tried(
    found: Opened, file: Path, how: Profile, say: Callable[[str], None], without: frozenset[int]
) -> tuple[ImportResult, Preview | None]:
    import hashlib

    from ..imports import ImportResult
    from ..imports.importer import checked, content_of, trial
    from ..imports.preview import preview_of
    from ..imports.samples import refuse_invented, refuse_simulated

    content = content_of(file)
    sha256 = hashlib.sha256(content).hexdigest()
    if found.store.import_of(sha256) is not None:
        return ImportResult(sha256, file.name, already=True), None
    refuse_simulated(file.name, sha256, content, simulated=found.store.simulated)
    say(f"{file.name}: reading")
    try:
        reading = checked(file.name, content, how, found.setup, found.now_ns, without)
    except ImportRefused as refused:
        raise ImportRefused(f"{refused}{_way_without(str(refused))}") from None
    if reading.simulated:
        refuse_invented(file.name, simulated=found.store.simulated)
    return trial(file.name, sha256, reading, found.store), preview_of(reading)


def _way_without(refused: str) -> str:
    """How to import the rest, where one line alone cannot be read."""
    match = re.search(
        r"Line (\d+)(?:, column [^:]*)?(?:: '.*' is no |: there is no | has (?:no|\d+) )", refused
    )
    return f" To import the others without it, on record: --leave-out {match[1]}." if match else ""


def imported(  # noqa: PLR0917
    found: Opened,
    file: Path,
    how: Profile,
    who: str,
    say: Callable[[str], None] | None = None,
    without: frozenset[int] = frozenset(),
) -> ImportResult:
    """Import one file into an open record, but for lines left out by name."""
    from ..imports import import_file

    return import_file(file, how, found.store, found.setup, who, time.time_ns(), say=say, without=without)


def profile_for(found: Opened, file: Path, wanted: str | None) -> Profile:
    """The profile that was named, or the one that fits the name of the file."""
    from ..imports import choose_profile, known_profiles, load_profile

    if not file.exists():
        raise Refused(f"There is no file {file}; nothing was imported.")
    if wanted is not None and Path(wanted).suffix == ".toml":
        return load_profile(Path(wanted))
    profiles = known_profiles(found.config.texts, found.store.imports())
    if wanted is None:
        return choose_profile(file, profiles.values())
    if wanted not in profiles:
        known = ", ".join(sorted(profiles)) or "none"
        raise Refused(
            f"There is no profile {wanted!r}. The setup has: {known}; or name a file ending in .toml."
        )
    return profiles[wanted]


EVERY_S = 2.0


def watch_folder(folder: Path, profile: str | None, who: str, data: Path, config: Path | None) -> None:
    """Look at the folder again and again; tells what became of each file."""
    from ..imports.watching import Folder

    watched = Folder(folder)
    with opened_or_new(data, config, who) as found, StopRequest() as stop:
        applied_setup(found)
        typer.echo(f"Watching {folder}; Ctrl-C ends it.")
        while not stop.asked:
            _turn(found, watched, profile, who)
            until = time.monotonic() + EVERY_S
            stop.wait(lambda until=until: time.monotonic() < until)  # type: ignore[misc]


def _turn(found: Opened, watched: object, profile: str | None, who: str) -> None:
    from ..imports.importer import plain_name
    from ..imports.watching import Folder
    from ..service.folder import tell_refused

    assert isinstance(watched, Folder)  # noqa: S101 (imported late)
    done = watched.outcomes(
        lambda path: imported(found, path, profile_for(found, path, profile), who), time.monotonic()
    )
    for one in done:
        if one.state == "refused":
            tell_refused(found.store, one, who)
        typer.echo(f"{plain_name(one.path)}: {one.why or one.state}")
