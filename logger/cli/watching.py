"""`import --watch`: the files of a folder, each once it is whole, until somebody stops it."""

from __future__ import annotations

import time
from pathlib import Path

import typer

from ..stopping import StopRequest
from .imports import imported, profile_for
from .opening import Opened, applied_setup, opened_or_new

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
    from ..incoming_files import tell_refused

    assert isinstance(watched, Folder)  # noqa: S101 (imported late)
    done = watched.outcomes(
        lambda path: imported(found, path, profile_for(found, path, profile), who), time.monotonic()
    )
    for one in done:
        if one.state == "refused":
            tell_refused(found.store, one, who)
        typer.echo(f"{plain_name(one.path)}: {one.why or one.state}")
