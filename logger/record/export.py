"""A copy of the readings in open formats, with the description that makes them readable without us."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .. import __version__
from ..errors import Refused
from ..formats.dcc import content_of
from ..instants import rfc3339
from ..model import Setup, TemperatureUnit
from .names import Names, Proven, version_people
from .readings import column_description
from .stored import stored_columns, stored_csv

if TYPE_CHECKING:
    from ..store import SetupVersion, Store

_DESCRIPTION = """Readings of {room}, {site}{simulated}
Written by stillroom {version} at {now}; {which}.

One file a channel, UTF-8, comma, decimal point, LF, one line of heads; texts with a comma or a quotation
mark in them stand in quotation marks (RFC 4180). Every stored reading is here, also what no verdict rests
on: see `quality` and `decision`. Values are not corrected; corrections are in the certificates, which are
in setup/ with everything else that is in force.
Older versions are in setup/earlier/; setup/versions.json says who approved each, when, and whether an account
proved who it was.
manifest.json has the SHA-256 of every file.

{columns}"""


@dataclass(frozen=True)
class ExportFiles:
    """What was written: file names relative to the folder, and how many readings."""

    files: tuple[str, ...]
    readings: int


def export(
    store: Store,
    setup: Setup,
    span: tuple[int, int] | None,
    out: Path,
    now_ns: int,
    *,
    temperatures: TemperatureUnit = "degC",
) -> ExportFiles:
    """Write every reading in [from, to) = `span` as CSV, with a description, the setup and a manifest.

    Without a span: every reading that is stored. temperatures: "degF" adds a column in °F.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    files_of_channels = stored_csv(store, setup, span, temperatures=temperatures)
    files = {f"readings/{key}.csv": content for key, (content, _) in sorted(files_of_channels.items())}
    count = sum(rows for _, rows in files_of_channels.values())
    columns = column_description(stored_columns(store, temperatures))
    files["README.txt"] = _description(store, setup, span, now_ns, columns).encode()
    files |= setup_files(store)
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())}
    files["manifest.json"] = (json.dumps(digests, indent=1) + "\n").encode()
    for name, content in files.items():
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return ExportFiles(tuple(sorted(files)), count)


def setup_files(store: Store) -> dict[str, bytes]:
    """The newest version in setup/, older ones below it, and who put each in force when and why."""
    versions, files, proven = store.setups.versions(), {}, Names(store).proven_versions()
    for version in versions:
        folder = "setup" if version is versions[-1] else f"setup/earlier/{version.version}"
        for name, text in version.texts.items():
            content = content_of(text) if name.endswith(".xml") else text.encode()
            files[f"{folder}/{name}"] = content
    if versions:
        files["setup/versions.json"] = (
            json.dumps([_version_dict(v, proven) for v in versions], indent=1) + "\n"
        ).encode()
    return files


def _version_dict(version: SetupVersion, proven: Mapping[int, Mapping[str, Proven]]) -> dict[str, object]:
    return {
        "version": version.version,
        **version_people(version, proven),
        "proposed": rfc3339(version.proposed_ns),
        "approved": rfc3339(version.at_ns),
        "reason": version.why,
        "correction": version.correction,
        "digest": version.digest,
    }


def _description(store: Store, setup: Setup, span: tuple[int, int] | None, now_ns: int, columns: str) -> str:
    return _DESCRIPTION.format(
        room=setup.room.name,
        site=setup.room.site,
        simulated=" (SIMULATED: no measured data)" if store.simulated else "",
        version=__version__,
        now=rfc3339(now_ns),
        which="all readings"
        if span is None
        else f"readings taken from {rfc3339(span[0])} (included) to {rfc3339(span[1])} (not included)",
        columns=columns,
    )
