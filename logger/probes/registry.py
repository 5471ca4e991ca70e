"""Which kinds of probes there are: ours, and those of installed packages by their entry points."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from importlib.util import find_spec
from pathlib import Path

from pydantic import BaseModel

from .foreign import guard, load_entry
from .kinds import OWN
from .plug_in import INTERFACE, KindRefused, ProbeKind

GROUP = "stillroom.probes"
_FILES = (".py", ".pyd", ".so")  # what decides what a driver does


@dataclass(frozen=True)
class PlugIn:
    """The package that brings a kind: name, version, and SHA-256 over the names and bytes of its files."""

    kind: str
    package: str
    version: str
    sha256: str

    def facts(self) -> dict[str, str]:
        """As plain data, without the kind."""
        return {"package": self.package, "version": self.version, "sha256": self.sha256}


@lru_cache(maxsize=1)
def entries() -> Mapping[str, tuple[metadata.EntryPoint, ...]]:
    """Entry points of installed packages by the name of their kind; looked for once in a process."""
    by_name: dict[str, list[metadata.EntryPoint]] = {}
    for entry in metadata.entry_points(group=GROUP):
        by_name.setdefault(entry.name, []).append(entry)
    return {name: tuple(sorted(set(each), key=_package)) for name, each in sorted(by_name.items())}


def forget_packages() -> None:
    """Forget the installed packages; the next look-up reads them anew, as some may have come or gone."""
    entries.cache_clear()


def names() -> list[str]:
    """Every value that `kind` may have here: ours first."""
    return [*OWN, *(name for name in entries() if name not in OWN)]


def kind_named(name: str) -> ProbeKind:
    """The kind of that name; KindRefused where there is none, more than one, or one that cannot be used."""
    brought = entries().get(name, ())
    packages = [*(["stillroom"] if name in OWN else []), *(_package(entry) for entry in brought)]
    if len(packages) > 1:
        raise KindRefused("one package that brings a kind", f"{name!r} in {' and '.join(packages)}")
    if name in OWN:
        return OWN[name]
    if not brought:
        raise KindRefused(f"one of {', '.join(names())}", f"{name!r}; no installed package brings it")
    return _foreign(name)


def is_foreign(name: str) -> bool:
    """Whether another package brings that kind."""
    return name not in OWN and name in entries()


@lru_cache(maxsize=32)
def _foreign(name: str) -> ProbeKind:
    """The kind of a plug-in, checked for being one."""
    (entry,) = entries()[name]
    package = _package(entry)
    kind = load_entry(entry.load, name, package)
    if not isinstance(kind, ProbeKind):
        expected = f"kind {name!r} of {package} to be a ProbeKind of logger.probes.plug_in"
        raise KindRefused(expected, type(kind).__name__)
    if kind.interface != INTERFACE:
        expected = f"kind {name!r} of {package} to be written for interface {INTERFACE}"
        raise KindRefused(expected, f"interface {kind.interface}")
    if not (isinstance(kind.table, type) and issubclass(kind.table, BaseModel)) or kind.driver is None:
        expected = f"kind {name!r} of {package} to have a table of pydantic and a driver"
        raise KindRefused(expected, f"{kind.table!r} and {kind.driver!r}")
    if kind.table.model_config.get("extra") != "forbid" or "kind" not in kind.table.model_fields:
        expected = f'the table of kind {name!r} of {package} to have a key `kind` and extra="forbid"'
        raise KindRefused(expected, f"{kind.table.__name__} without")
    return guard(kind, name, package)


def list_plug_ins() -> list[PlugIn]:
    """Every kind that an installed package brings, by name; nothing is loaded."""
    return [_plug_in(entry) for each in entries().values() for entry in each]


def plug_in_of(name: str) -> PlugIn:
    """Package, version and files of a kind that another package brings; KindRefused as `kind_named`."""
    kind_named(name)
    return _plug_in(entries()[name][0])


def _plug_in(entry: metadata.EntryPoint) -> PlugIn:
    return PlugIn(entry.name, _package(entry), entry.dist.version if entry.dist else "", _sha256(entry))


def _package(entry: metadata.EntryPoint) -> str:
    return entry.dist.name if entry.dist else entry.value


def _sha256(entry: metadata.EntryPoint) -> str:
    """Over the package's files, also where it was installed to be edited in place."""
    sha = hashlib.sha256()
    for name, path in sorted(_files(entry)):
        for part in (name.encode(), path.read_bytes()):
            sha.update(f"{len(part)}:".encode() + part)
    return sha.hexdigest()


def _files(entry: metadata.EntryPoint) -> Iterator[tuple[str, Path]]:
    """Names and paths of the files that decide what the driver does, each once."""
    top = entry.module.partition(".")[0]
    module = sys.modules.get(top)
    spec = find_spec(top) if module is None else module.__spec__
    roots = list(spec.submodule_search_locations or ()) if spec else []
    inside = ((path, Path(root)) for root in roots for path in Path(root).rglob("*"))
    names_by_path = {path.resolve(): f"{top}/{path.relative_to(root).as_posix()}" for path, root in inside}
    if spec and spec.origin and not roots:
        names_by_path[Path(spec.origin).resolve()] = Path(spec.origin).name
    for file in (entry.dist.files if entry.dist else None) or ():
        names_by_path.setdefault(Path(str(file.locate())).resolve(), file.as_posix())
    yield from (
        (name, path) for path, name in names_by_path.items() if path.suffix in _FILES and path.is_file()
    )
