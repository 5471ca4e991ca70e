"""Verification of a package by its own lists and signatures; what is wrong is named, file by file."""

from __future__ import annotations

import hashlib
import json
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from ..errors import Refused
from ..record.signatures import is_signature_of, key_name

MANIFEST, TAGS = "manifest-sha256.txt", "tagmanifest-sha256.txt"


@dataclass(frozen=True)
class PackageVerification:
    """Result of a verification. `key`: name of the signing key as in `stillroom record key`."""

    faults: tuple[str, ...]
    files: int
    records: int
    key: str

    @property
    def intact(self) -> bool:
        """Whether everything is as it was packed and signed."""
        return not self.faults


def verify_package(path: Path) -> PackageVerification:
    """Verify a package, folder or zip; Refused where there is none."""
    with _folder(path) as folder:
        if not (folder / "bagit.txt").is_file():
            raise Refused(f"{path} is not a package: it has no file bagit.txt.")
        digests = _read_digests(folder / MANIFEST)
        faults = [
            *_altered_files(folder, digests),
            *_unlisted_files(folder, digests),
            *_altered_files(folder, _read_digests(folder / TAGS)),
        ]
        faults += _signature_faults(folder, "manifest-sha256.txt", folder / "signing-key.pem", folder)
        faults += _key_faults(folder)
        records = sorted((folder / "data" / "records").glob("*/*.sha256"))
        for record in records:
            key = record.with_name(record.name.removesuffix(".sha256") + "-key.pem")
            faults += _signature_faults(record.parent, record.name, key, folder)
            faults += _altered_files(record.parent, _read_digests(record))
        return PackageVerification(
            tuple(dict.fromkeys(faults)), len(digests), len(records), _key_name(folder)
        )


@contextmanager
def _folder(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield path
        return
    if not zipfile.is_zipfile(path):
        raise Refused(f"{path}: expected a package as a folder or zip file.")
    with tempfile.TemporaryDirectory(prefix="stillroom-package-") as scratch:
        try:
            with zipfile.ZipFile(path) as archive:
                archive.extractall(scratch)
        except (zipfile.BadZipFile, OSError) as error:
            raise Refused(f"{path} cannot be unpacked: {error}.") from error
        inner = [p for p in Path(scratch).iterdir() if p.is_dir()]
        yield inner[0] if len(inner) == 1 else Path(scratch)


def _read_digests(manifest: Path) -> dict[str, str]:
    """File name -> digest of a list as sha256sum writes it; empty where it cannot be read."""
    if not manifest.is_file():
        return {}
    lines = manifest.read_text("utf-8", "replace").splitlines()
    pairs = [line.split(maxsplit=1) for line in lines if line.strip()]
    return {pair[1].strip(): pair[0] for pair in pairs if len(pair) == 2}


def _altered_files(folder: Path, digests: dict[str, str]) -> Iterator[str]:
    if not digests:
        yield f"{folder.name}: its list of digests is missing or empty"
    for name, digest in digests.items():
        path = folder / name
        if not path.resolve().is_relative_to(folder.resolve()):
            yield f"{name}: leads out of the package"
        elif not path.is_file():
            yield f"{name}: missing"
        else:
            with path.open("rb") as file:
                if hashlib.file_digest(file, "sha256").hexdigest() != digest:
                    yield f"{name}: changed"


def _unlisted_files(folder: Path, digests: dict[str, str]) -> Iterator[str]:
    present = {p.relative_to(folder).as_posix() for p in (folder / "data").rglob("*") if p.is_file()}
    for name in sorted(present - digests.keys()):
        yield f"{name}: not listed"


def _signature_faults(folder: Path, name: str, key: Path, package: Path) -> Iterator[str]:
    paths = folder / name, folder / f"{name}.sig", key
    shown_name = (folder / name).relative_to(package).as_posix()
    if not all(path.is_file() for path in paths):
        yield f"{shown_name}: is not signed"
        return
    content, signature, public = (path.read_bytes() for path in paths)
    if not is_signature_of(public.decode("ascii", "replace"), content, signature):
        yield f"{shown_name}: the signature is not that of this list by {key.name}"


def _key_faults(folder: Path) -> Iterator[str]:
    """The key beside the signature must be one of those that the record names."""
    try:
        keys = json.loads((folder / "data" / "keys.json").read_bytes())
        public_keys = {key["public"] for key in keys}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        yield "data/keys.json: cannot be read"
        return
    path = folder / "signing-key.pem"
    if path.is_file() and path.read_text("ascii", "replace") not in public_keys:
        yield "signing-key.pem: is no key of this record"


def _key_name(folder: Path) -> str:
    """The key as `stillroom record key` names it; empty where there is none that can be read."""
    path = folder / "signing-key.pem"
    return (key_name(path.read_text("ascii", "replace")) or "") if path.is_file() else ""
