"""A copy of the readings in open formats, with the description that makes them readable without us."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .. import __version__
from ..errors import Refused
from ..instants import rfc3339
from ..model import Setup
from .readings import RAW, described, raw_csv

if TYPE_CHECKING:
    from ..store import Store

_DESCRIPTION = """Readings of {room}, {site}{simulated}
Written by stillroom {version} at {now}; readings taken from {start} (included) to {end} (not included).

One file a channel, UTF-8, comma, decimal point, LF, one line of heads. Values are indications as they
came; corrections are in the certificates, which are in setup/ with everything else that was in force.
manifest.json has the SHA-256 of every file.

{columns}"""


@dataclass(frozen=True)
class Exported:
    """What was written: file names relative to the folder, and how many readings."""

    files: tuple[str, ...]
    readings: int


def export(store: Store, setup: Setup, span: tuple[int, int], out: Path, now_ns: int) -> Exported:
    """Write every reading in [from, to) = `span` as CSV, with a description, the setup and a manifest."""
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    count, files = 0, {}
    for key in sorted(setup.channels):
        content, rows = raw_csv(store, setup.channels[key], *span)
        if rows:
            files[f"readings/{key}.csv"] = content
            count += rows
    files["README.txt"] = _description(store, setup, span, now_ns).encode()
    files |= {f"setup/{name}": text.encode() for name, text in _texts(store).items()}
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())}
    files["manifest.json"] = (json.dumps(digests, indent=1) + "\n").encode()
    for name, content in files.items():
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return Exported(tuple(sorted(files)), count)


def _texts(store: Store) -> dict[str, str]:
    versions = store.setups()
    return dict(versions[-1].texts) if versions else {}


def _description(store: Store, setup: Setup, span: tuple[int, int], now_ns: int) -> str:
    return _DESCRIPTION.format(
        room=setup.room.name,
        site=setup.room.site,
        simulated=" (SIMULATED: no measured data)" if store.simulated else "",
        version=__version__,
        now=rfc3339(now_ns),
        start=rfc3339(span[0]),
        end=rfc3339(span[1]),
        columns=described(RAW),
    )
