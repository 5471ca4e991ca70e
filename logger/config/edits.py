"""Changes to the texts of a setup as a person would write them: comments and order stay as they are."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import Refused, UnknownName
from ..formats.toml import TomlFile, key_lines
from ..instants import rfc3339

Texts = dict[str, str]
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")


@dataclass(frozen=True)
class PlacementTable:
    """One table [[placements]]: where it stands in the texts, and what it says. `last_line` counts from 1."""

    file: str
    last_line: int
    probe: str
    position: str
    ended: bool


def places(texts: Mapping[str, str]) -> list[PlacementTable]:
    """Every placement, in the order of the files."""
    places = []
    for file in sorted(f for f in texts if f.startswith("probes") and f.endswith(".toml")):
        lines = key_lines(texts[file])
        for number, entry in enumerate(tomllib.loads(texts[file]).get("placements", [])):
            here = [line for path, line in lines.items() if path[:2] == ("placements", number)]
            places.append(PlacementTable(file, max(here), entry["probe"], entry["position"], "to" in entry))
    return places


def standing(texts: Mapping[str, str], probe: str) -> PlacementTable:
    """The placement of a probe that has no end; Refused where it stands nowhere."""
    mine = [place for place in places(texts) if place.probe == probe]
    if not mine:
        raise UnknownName("probe with a placement", probe, {place.probe for place in places(texts)})
    open_ = [place for place in mine if not place.ended]
    if not open_:
        raise Refused(f"Probe {probe} has no position now: its last placement has ended.")
    return open_[-1]


def ended(texts: Mapping[str, str], probe: str, at_ns: int) -> Texts:
    """The probe's placement with an end."""
    place = standing(texts, probe)
    lines = texts[place.file].splitlines()
    lines.insert(place.last_line, f"to = {rfc3339(at_ns)}")
    return {**texts, place.file: "\n".join(lines) + "\n"}


def placed(
    texts: Mapping[str, str], probe: str, position: str, at_ns: int, file: str = "probes.toml"
) -> Texts:
    """A further placement at the end of a file."""
    lines = [f'probe = "{_plain(probe)}"', f'position = "{_plain(position)}"', f"from = {rfc3339(at_ns)}"]
    block = "\n".join(["", "", "[[placements]]", *lines, ""])
    return {**texts, file: texts[file].rstrip("\n") + block}


def disconnected(texts: Mapping[str, str], probe: str) -> Texts:
    """The probe without its table of connection, if it has one: nobody asks it any more."""
    for file in (f for f in texts if f.startswith("probes") and f.endswith(".toml")):
        source = TomlFile(file, {}, key_lines(texts[file]))
        first = source.lines.get(("probes", probe, "connection"))
        if first is None:
            continue
        lines = texts[file].splitlines()
        after = [
            n for path, n in source.lines.items() if n > first and path[:3] != ("probes", probe, "connection")
        ]
        end = min(after, default=len(lines) + 1) - 1
        while end > first and not lines[end - 1].strip().rstrip("#").strip():
            end -= 1
        while end > first and lines[end - 1].lstrip().startswith("#"):
            end -= 1  # comments above the next table belong to that
        return {**texts, file: "\n".join(lines[: first - 1] + lines[end:]) + "\n"}
    return dict(texts)


def with_certificates(texts: Mapping[str, str], papers: Mapping[str, str]) -> Texts:
    """Texts with further certificates, by the names of their files."""
    new = {f"certificates/{name}": text for name, text in papers.items()}
    if existing := sorted(new.keys() & texts.keys()):
        raise Refused(f"There is a file {existing[0]} already; give the certificate's file another name.")
    return {**texts, **new}


def added(texts: Mapping[str, str], text: str) -> tuple[Texts, str]:
    """Texts with one more probe, written as in probes.toml, in a file of its own; and its key."""
    try:
        tables: Mapping[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Refused(f"The file of the new probe is not TOML: {error}. Nothing was changed.") from error
    probes = tables.get("probes", {})
    if not isinstance(probes, dict) or len(probes) != 1 or set(tables) - {"probes", "placements"}:
        raise Refused("The file of the new probe: expected one table [probes.<name>] and nothing else.")
    (key,) = probes
    file = f"probes-{_plain(key)}.toml"
    if file in texts:
        raise Refused(f"There is a file {file} already; give the probe another name.")
    return {**texts, file: text.rstrip("\n") + "\n"}, str(key)


def _plain(name: str) -> str:
    if not _NAME.fullmatch(name):
        raise Refused(f"Name: expected letters, digits, - and _, found {name!r}.")
    return name
