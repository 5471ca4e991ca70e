"""The configuration: check it, put it in force, write it out."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from .opening import from_folder, new_or_existing
from .options import DEFAULT_CONFIG, DEFAULT_DATA, Config, Data, Json, Who, person
from .printing import answer

config_app = typer.Typer(help="Check, apply and export the configuration.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(config_app, name="config", no_args_is_help=True)


@config_app.command("check")
def check(
    *,
    config: Config = None,
    data: Data = DEFAULT_DATA,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Read all files and report all faults of all files at once: file, table, key, wanted, found.

    Nothing is changed. Warnings are said but do not stop.
    """
    from ..config import warnings

    folder = config or DEFAULT_CONFIG
    loaded = from_folder(folder)
    setup, said = loaded.setup, warnings(loaded)
    counted = f"{len(setup.zones)} zones, {len(setup.probes)} probes, {len(setup.rules)} rules, "
    counted += f"{len(setup.certificates)} certificates, {len(setup.alarms)} alarms"
    told = {"folder": str(folder), "digest": setup.digest, "warnings": said}
    answer(told, as_json, [f"{folder} is sound: {counted}.", *(f"  note: {w}" for w in said)])


@config_app.command("apply")
def apply(
    *,
    why: Annotated[
        str, typer.Option("--why", metavar="TEXT", help="Reason for the change; asked for from version 2 on.")
    ] = "",
    approver: Annotated[str, typer.Option("--approver", metavar="NAME", help="Who approves it.")] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would change.")] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Show the difference to what is in force, and put the files in force as the next version.

    \b
    Example:
      stillroom config apply --why "bay band by the new specification" --approver "Ines Faber"
    """
    from ..actions import apply_setup

    wanted = from_folder(config or DEFAULT_CONFIG)
    with new_or_existing(data, wanted, create=not dry_run) as (store, now_ns):
        versions = [] if store is None else store.setups()
        before = versions[-1].texts if versions else {}
        changes = difference(before, wanted.texts)
        version = versions[-1].version if versions else 0
        if store is not None and not dry_run:
            version = apply_setup(store, wanted.texts, person(who), why, approver or person(who), now_ns)
    first = _first(changes, dry_run, version)
    answer({"version": version, "changed": bool(changes), "difference": changes}, as_json, [first, *changes])


def _first(changes: list[str], dry_run: bool, version: int) -> str:
    if not changes:
        return f"Nothing differs from version {version}, which is in force."
    return "This would change:" if dry_run else f"Version {version} is in force. It changed:"


def difference(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    """Lines that differ, file by file; a whole new file is only named."""
    lines: list[str] = []
    for name in sorted(set(before) | set(after)):
        if before.get(name) == after.get(name):
            continue
        if name not in before or name not in after:
            lines.append(f"  {'new' if name in after else 'gone'}: {name}")
            continue
        pair = before[name].splitlines(), after[name].splitlines()
        lines += [
            f"  {line}" for line in difflib.unified_diff(*pair, f"{name} in force", name, lineterm="", n=1)
        ]
    return lines


@config_app.command("export")
def export(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new or empty folder to write into.")],
    version: Annotated[
        int | None, typer.Option("--version", metavar="NUMBER", help="That version; default: the newest.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Write the files of the setup in force, or of an older version; without a data folder, the example.

    \b
    Example:
      stillroom config export --out config
    """
    from ..dcc import content_of

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    texts, what = _texts(data, config, version)
    for name, text in texts.items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        if name.endswith(".xml"):
            (out / name).write_bytes(content_of(text))
        else:
            (out / name).write_text(text, encoding="utf-8", newline="\n")
    answer({"folder": str(out), "files": sorted(texts)}, as_json, [f"{what}: {len(texts)} files in {out}."])


def _texts(data: Path, config: Path | None, version: int | None) -> tuple[Mapping[str, str], str]:
    from ..config import example_folder, read_texts
    from ..store import Store

    if config is not None or not data.is_dir():
        if version is not None:
            raise Refused(f"There is no data folder {data} with a version {version}; name it with --data.")
        folder = config or example_folder()
        return read_texts(folder), f"From {folder}"
    with Store.open(data, read_only=True) as store:
        found = [s for s in store.setups() if version in (None, s.version)]
    if not found:
        raise Refused(f"{data} holds no version {version or 1} of the setup.")
    return found[-1].texts, f"Version {found[-1].version}"
