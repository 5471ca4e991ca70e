"""Bring files of data loggers into the record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..instants import rfc3339
from .opening import Opened, applied_setup, has_record, opened_or_new
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .printing import answer, table

if TYPE_CHECKING:
    from ..imports import Conflict, ImportResult, Profile


def add_to(app: typer.Typer) -> None:
    app.command("import", short_help="Bring in files of data loggers.")(imports)


def imports(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Files to import.")],
    *,
    profile: Annotated[
        str | None,
        typer.Option(
            "--profile",
            metavar="NAME|FILE",
            help="How to read them: a name in config/profiles or a file; default: the one that fits.",
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be stored.")] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Import files of data loggers: each whole or not at all, and twice is the same as once.

    What the file does not prove (date order, decimal sign, zone, units) the profile must declare;
    otherwise nothing is stored and the open question is named. Originals are kept, bit for bit.

    \b
    Example:
      stillroom import sample_logs/machine-bay.csv --dry-run
    """
    # All are read before any is stored, so that a refusal of the last leaves nothing of the first.
    trial = _all(files, profile, True, data, config, person(who))
    done = trial if dry_run else _all(files, profile, False, data, config, person(who))
    answer([_result_json(r, dry_run) for r in done], as_json, _lines(done, dry_run))


def _all(  # noqa: PLR0917 (the options of the command)
    files: Sequence[Path], profile: str | None, dry_run: bool, data: Path, config: Path | None, who: str
) -> list[ImportResult]:
    with _record(data, config, who, dry_run) as found:
        applied_setup(found)
        pairs = [(file, _profile(found, file, profile)) for file in files]
        return [_imported(found, file, how, who, dry_run) for file, how in pairs]


@contextmanager
def _record(data: Path, config: Path | None, who: str, dry_run: bool) -> Iterator[Opened]:
    """The data folder; a trial where there is none yet happens in a scratch one and leaves nothing."""
    if has_record(data) or not dry_run:
        with opened_or_new(data, config, who) as found:
            yield found
        return
    with (
        TemporaryDirectory(prefix="stillroom-trial-") as scratch,
        opened_or_new(Path(scratch) / "data", config, who) as found,
    ):
        yield found


def _imported(found: Opened, file: Path, how: Profile, who: str, dry_run: bool) -> ImportResult:
    from ..imports import import_file

    return import_file(file, how, found.store, found.setup, who, found.now_ns, dry_run)


def _profile(found: Opened, file: Path, wanted: str | None) -> Profile:
    from ..imports import choose_profile, load_profile, profile_of

    if not file.exists():
        raise Refused(f"There is no file {file}; nothing was imported.")
    if wanted is not None and Path(wanted).suffix == ".toml":
        return load_profile(Path(wanted))
    texts = {n: t for n, t in found.config.texts.items() if n.startswith("profiles/")}
    if wanted is None:
        return choose_profile(file, [profile_of(name, text) for name, text in texts.items()])
    name = f"profiles/{wanted}.toml"
    if name not in texts:
        known = ", ".join(sorted(Path(n).stem for n in texts)) or "none"
        raise Refused(
            f"There is no profile {wanted!r}. The setup has: {known}; or name a file ending in .toml."
        )
    return profile_of(name, texts[name])


def _result_json(r: ImportResult, dry_run: bool) -> dict[str, Any]:
    return {
        "file": r.name,
        "sha256": r.sha256,
        "dry_run": dry_run,
        "already": r.already,
        "rows": r.rows,
        "stored": r.stored,
        "duplicates": r.duplicates,
        "conflicts": [_conflict(c) for c in r.conflicts],
        "flagged": r.flagged,
        "from": None if r.first_ns is None else rfc3339(r.first_ns),
        "to": None if r.last_ns is None else rfc3339(r.last_ns),
        "assumed": list(r.assumed),
    }


def _conflict(c: Conflict) -> dict[str, Any]:
    return {"channel": c.channel, "taken": rfc3339(c.taken_ns), "stored": c.stored, "found": c.found}


def _lines(done: Sequence[ImportResult], dry_run: bool) -> list[str]:
    total = sum(r.stored for r in done)
    heads = ("file", "rows", "stored", "there already", "conflicts", "without value", "from", "to")
    rows = [_row(r) for r in done]
    notes = [f"  {r.name}: {note}" for r in done for note in r.assumed]
    notes += [f"  {r.name}: imported before, nothing to do" for r in done if r.already]
    first = f"{total} readings would be stored." if dry_run else f"{total} readings are stored."
    return [first, "", *table(heads, rows), "", *notes]


def _row(r: ImportResult) -> tuple[Any, ...]:
    ends = [None if at is None else rfc3339(at) for at in (r.first_ns, r.last_ns)]
    return r.name, r.rows, r.stored, r.duplicates, len(r.conflicts), r.flagged, *ends
