"""The configuration: check it and write it out; `approving.py` puts it in force."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused, StoreError
from .command_list import command_group
from .config_versions import commands as _approving
from .context import has_record, load_folder
from .options import DEFAULT_CONFIG, DEFAULT_DATA, Config, Data, Json
from .output import answer

config_app = command_group("Check, propose, approve and export the configuration.")


def add_to(app: typer.Typer) -> None:
    _approving(config_app)
    app.add_typer(config_app, name="config")


@config_app.command("check")
def check(
    *,
    config: Config = None,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Read all files and list all faults at once: file, table, key, what was expected and found.

    Nothing is changed. Warnings are printed and stop nothing. Where the data folder holds a setup in force
    that could no longer be entered, the reason is printed.
    """
    from ..config import warnings

    folder = config or DEFAULT_CONFIG
    loaded = load_folder(folder)
    setup, notes = loaded.setup, warnings(loaded)
    counts = f"{len(setup.zones)} zones, {len(setup.probes)} probes, {len(setup.rules)} rules, "
    counts += f"{len(setup.certificates)} certificates, {len(setup.alarms)} alarms"
    of_record = _of_record(data)
    payload = {"folder": str(folder), "digest": setup.digest, "warnings": notes, "in_force": of_record}
    lines = [f"Configuration is valid: {folder}, {counts}.", *(f"  note: {w}" for w in notes)]
    answer(payload, as_json, [*lines, *(f"{data}: {fault}" for fault in of_record)])


def _of_record(data: Path) -> list[str]:
    """Why the setup in force of a data folder could not be entered any more; empty without a record."""
    from ..config import faults_in_force
    from ..store import Store

    if not has_record(data):
        return []
    try:
        with Store.open(data, read_only=True) as store:
            return faults_in_force(store.setups.versions())
    except StoreError as error:
        return [f"The setup in force was not checked: {error}"]


@config_app.command("export")
def export(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new or empty folder to write into.")],
    version: Annotated[
        int | None, typer.Option("--version", metavar="NUMBER", help="Version to write; default: the newest.")
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="TIME", help="The version that was in force at that time.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Write the files of the setup in force, or of an older version; without a data folder, the example.

    \b
    Example:
      stillroom config export --out config-in-march --at 2027-03-01
    """
    from ..formats.dcc import content_of

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    texts, what = _texts(data, config, version, at)
    for name, text in texts.items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        if name.endswith(".xml"):
            (out / name).write_bytes(content_of(text))
        else:
            (out / name).write_text(text, encoding="utf-8", newline="\n")
    answer({"folder": str(out), "files": sorted(texts)}, as_json, [f"{what}: {len(texts)} files in {out}."])


def _texts(
    data: Path, config: Path | None, version: int | None, at: str | None
) -> tuple[Mapping[str, str], str]:
    from ..config import example_folder, read_texts
    from ..store import Store

    if config is not None or not data.is_dir():
        if version is not None or at is not None:
            missing = "time" if version is None else f"version {version}"
            raise Refused(f"There is no data folder {data} with a {missing}. Name another with --data.")
        folder = config or example_folder()
        return read_texts(folder), f"From {folder}"
    with Store.open(data, read_only=True) as store:
        versions = [s for s in store.setups.versions() if version in (None, s.version)]
    if versions and at is not None:
        until_ns = _instant(at, versions[-1].texts)
        versions = [s for s in versions if s.at_ns <= until_ns]
    if not versions:
        raise Refused(f"{data} holds no version {version or 'that was in force then'} of the setup.")
    return versions[-1].texts, f"Version {versions[-1].version}"


def _instant(at: str, texts: Mapping[str, str]) -> int:
    """A time as a person writes it, in the zone of the room."""
    from zoneinfo import ZoneInfo

    from ..config import load_stored
    from ..instants import parse

    return parse(at, ZoneInfo(load_stored(texts).setup.room.timezone), "--at")
