"""The files in config/ to the model, or all their faults at once.

    load(folder) -> Config          ConfigError lists every fault of every file
    load_texts(texts) -> Config     the same from texts that somebody enters: file name -> text
    load_stored(texts) -> Config    from texts that were approved; not checked again
    faults_in_force(versions)       why the newest of them could not be entered any more, in sentences
    in_force(versions) -> Config    what several approved versions say together, each of its own time
    example_folder() -> Path        the invented room that travels with the program

Files are read in sorted order: room*.toml, probes*.toml, limits*.toml, alarms*.toml, service*.toml,
certificates/*.toml with the Digital Calibration Certificates certificates/*.xml beside them,
and profiles/*.toml for the import of logger files.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from ..core.validity.versions import Version, effective_setup
from ..errors import ConfigError, Fault, Refused, UnitError
from ..formats.dcc import LARGEST_BYTES, text_of
from ..formats.toml import nearest
from ..imports.profile_file import profile_of
from ..model import Config, Setup
from ..probes.lookalikes import find_lookalikes
from ..units import to_canonical
from .cautions import cautions
from .ceilings import lenient
from .checks import check
from .connections import lines_of
from .feasible import warnings as _warnings
from .neighbours import warnings as _uncompared
from .notices import warnings as _unheard
from .notices import with_notices
from .plug_ins import with_plug_ins
from .service import (
    api_of,
    backup_of,
    centre_of,
    clock_synchronised_of,
    conditions_of,
    heartbeat_of,
    keep_years_of,
    monthly_records_of,
    publish_of,
    reviews_of,
    sessions_of,
    watch_of,
)
from .setup import setup_of
from .tables import Tables, read_tables
from .unseen import unseen_faults
from .uses import add_uses

NO_ALARM = (
    "alarms.toml: no alarm is defined, so nobody is notified when a limit is exceeded; add [alarms.<name>]"
)

if TYPE_CHECKING:
    from ..store import SetupVersion


def load(folder: Path) -> Config:
    """The configuration in a folder; ConfigError with all faults of all files."""
    return load_texts(read_texts(folder))


def read_texts(folder: Path) -> dict[str, str]:
    """Text of each TOML file below a folder, by its name relative to it, in sorted order."""
    if not folder.is_dir():
        expected = "a folder with room.toml and the other files"
        raise ConfigError([Fault(str(folder), "", "", expected, "no folder")])
    texts, faults = {}, []
    paths = [*folder.rglob("*.toml"), *folder.glob("certificates/*.xml")]
    for path in sorted(paths, key=lambda p: p.relative_to(folder).as_posix()):
        name = path.relative_to(folder).as_posix()
        try:
            texts[name] = _document(path) if path.suffix == ".xml" else path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            faults.append(Fault(name, "", "", "a readable file in UTF-8", str(error)))
    if faults:
        raise ConfigError(faults)
    return texts


def _document(path: Path) -> str:
    """A certificate's own bytes as text; OSError for a file that is too large to be one."""
    if path.stat().st_size > LARGEST_BYTES:
        raise OSError(f"{path.stat().st_size} bytes, where a certificate has at most {LARGEST_BYTES}")
    return text_of(path.read_bytes())


def load_texts(texts: Mapping[str, str], *, version: int = 0) -> Config:
    """The configuration from texts by file name; `version` is that of the stored setup."""
    tables, setup = _read(texts, version)
    texts = with_plug_ins(texts, tables)
    setup = replace(setup, digest=digest(texts))
    tables.faults += check(tables, setup)
    tables.faults += unseen_faults(texts)
    tables.faults += _profile_faults(texts, tables, setup)
    return _config(texts, tables, setup)


def load_stored(texts: Mapping[str, str], *, version: int = 0) -> Config:
    """The configuration from texts that were approved, by whatever version of the program.

    What was in force opens, though it would no longer be accepted: settings beyond their ceilings are
    judged by these, and `Setup.bounded` says so. A probe whose kind no package brings any more has a line
    whose rows say so.
    """
    tables, setup = _read(texts, version, stored=True)
    return _config(texts, tables, setup)


def _read(texts: Mapping[str, str], version: int, *, stored: bool = False) -> tuple[Tables, Setup]:
    tables = read_tables(texts, stored=stored)
    add_uses(tables, texts)
    return tables, setup_of(tables, version, digest(texts))


def _config(texts: Mapping[str, str], tables: Tables, setup: Setup) -> Config:
    if tables.faults:
        raise ConfigError(sorted(tables.faults, key=lambda fault: fault.file))
    config = Config(
        setup,
        lines_of(tables),
        backup=backup_of(tables),
        keep_years=keep_years_of(tables),
        reviews=reviews_of(tables),
        monthly_records=monthly_records_of(tables),
        conditions=conditions_of(tables),
        watch=watch_of(tables),
        texts={f: _lf(texts[f]) for f in sorted(texts)},
        clock_synchronised=clock_synchronised_of(tables),
        heartbeat=heartbeat_of(tables),
        centre=centre_of(tables),
        sessions=sessions_of(tables),
        api=api_of(tables),
        publish=publish_of(tables),
    )
    return with_notices(config, tables)


def in_force(versions: Sequence[SetupVersion], known_ns: int | None = None) -> Config:
    """What approved versions, oldest first, say together, as known at `known_ns` (None: now).

    Lines, mail and texts are the newest's. None is checked again: what was in force was.
    """
    approved = [v for v in versions if known_ns is None or v.at_ns <= known_ns]
    if not approved:
        raise Refused("No version of the setup was approved by then; name a later time.")
    newest = load_stored(approved[-1].texts, version=approved[-1].version)
    older = [_older(v.version, tuple(sorted(v.texts.items()))) for v in approved[:-1]]
    each = [
        Version(setup, v.at_ns, v.who, v.approver, v.why, v.correction)
        for v, setup in zip(approved, [*older, newest.setup], strict=True)
    ]
    return replace(newest, setup=effective_setup(each))


def faults_in_force(versions: Sequence[SetupVersion]) -> list[str]:
    """A sentence for each rule of entering that the newest version breaks: an older program accepted it."""
    if not versions:
        return []
    newest = versions[-1]
    return [
        f"Setup version {newest.version} is in force, though it would no longer be accepted: {fault}. "
        "Propose a version without this fault."
        for fault in _entry_faults(tuple(sorted(newest.texts.items())))
    ]


@lru_cache(maxsize=4)
def _entry_faults(texts: tuple[tuple[str, str], ...]) -> tuple[Fault, ...]:
    try:
        load_texts(dict(texts))
    except ConfigError as refused:
        return refused.faults
    return ()


@lru_cache(maxsize=64)
def _older(version: int, texts: tuple[tuple[str, str], ...]) -> Setup:
    tables, setup = _read(dict(texts), version, stored=True)
    if tables.faults:
        raise ConfigError(tables.faults)
    return setup


def digest(texts: Mapping[str, str]) -> str:
    """SHA-256 over names and texts in sorted order, with LF line ends whatever the machine writes."""
    sha = hashlib.sha256()
    for file in sorted(texts):
        for part in (file, _lf(texts[file])):
            data = part.encode()
            sha.update(f"{len(data)}:".encode() + data)
    return sha.hexdigest()


def warnings(config: Config) -> list[str]:
    """What the configuration may say but should not without a thought."""
    return [
        *_warnings(config.setup),
        *lenient(config.setup),
        *_uncompared(config.setup),
        *find_lookalikes(config.lines),
        *cautions(config.lines),
        *_unheard(config),
        *([] if config.setup.alarms else [NO_ALARM]),
    ]


def example_folder() -> Path:
    """The commented example: beside the packages in a source tree, else where it was installed."""
    beside = Path(__file__).resolve().parents[2] / "config"
    return beside if (beside / "room.toml").is_file() else Path(sys.prefix) / "share" / "stillroom" / "config"


def _lf(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _profile_faults(texts: Mapping[str, str], tables: Tables, setup: Setup) -> list[Fault]:
    faults: list[Fault] = []
    for file in (f for f in sorted(texts) if f.startswith("profiles/")):
        try:
            profile = profile_of(file, texts[file])
        except ConfigError as error:
            faults += error.faults
            continue
        for column in profile.columns:
            channels = tables.names_of("channel")
            if column.channel not in channels:
                expected = nearest(column.channel, channels).replace("name", "channel", 1)
                faults.append(Fault(file, "columns", "channel", expected, repr(column.channel)))
            elif column.unit and (channel := setup.channels.get(column.channel)):
                try:
                    to_canonical(0.0, column.unit, channel.quantity)
                except UnitError as error:
                    faults.append(Fault(file, "columns", "unit", f"a unit of {channel.quantity}", str(error)))
    return faults
