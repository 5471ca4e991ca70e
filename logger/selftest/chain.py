"""Cases of the record: written, sealed, signed, changed by one byte, backed up and brought back.

They work in a folder of their own, which is gone afterwards; nothing of the record in use is touched.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from ..instants import NS
from ..model import Row
from ..record.signatures import is_signature_of, signing_key
from ..store import Store
from ..store.backup.backup import backup
from ..store.backup.restore import restore
from .case import Case, CaseGroup
from .room import at

WHO = "self-test"
N = 500
SHA = "FIPS 180-4 (SHA-256); every entry holds the digest of the one before (docs/data-folder.md, Journal)"


@dataclass
class _Record:
    """A record made once for all cases, and how many copies were taken of it."""

    folder: Path
    store: Store
    copies: int = 0

    def copy(self) -> Path:
        """A folder of the same bytes, restored from the backup."""
        self.copies += 1
        new = self.folder / f"copy-{self.copies}"
        restore(self.folder / "share", new, WHO)
        return new


def rows(count: int, start_ns: int) -> list[Row]:
    """Readings a minute apart, each a thousandth above the one before."""
    return [
        Row("T1.temperature", start_ns + i * 60 * NS, start_ns + i * 60 * NS + 5_000_000, 20.0 + i / 1000)
        for i in range(count)
    ]


def cases(scratch: Path) -> Iterator[Case]:
    """All of them, in a new folder; to be run in order, while it is there."""
    folder = scratch / "record"
    store = Store.open(folder, create=True, simulated=True)
    record = _Record(scratch, store)
    store.append("poll", rows(N, at(0, -40)))
    store.seal(at(0))
    store.append("poll", rows(N, at(0)))
    content = b"time;value\n2026-03-10 00:00;20,0\n"
    store.imports.record(hashlib.sha256(content).hexdigest(), "T1.csv", content, {"rows": 1})
    (scratch / "share").mkdir()
    intact = backup(store, scratch / "share", WHO, at(12)).intact
    try:
        yield from _chain(record)
        yield from _changed(record)
        yield from _signed(store)
        yield from _restored(record, intact, content)
    finally:
        store.close()


def _chain(record: _Record) -> Iterator[Case]:
    group = CaseGroup("record: chain", SHA)
    store = record.store
    yield group.case(
        'SHA-256 of "abc"',
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        lambda: hashlib.sha256(b"abc").hexdigest(),
        source="FIPS 180-4, worked example of the standard",
    )
    yield group.case(
        "an untouched record is intact", (True, ()), lambda: (store.verify().intact, store.verify().faults)
    )
    yield group.case("all readings come back as they went in", (2 * N, 20.0, 20.499), lambda: _ends(store))
    yield group.case("every entry's digest, taken anew from its text", True, lambda: _anew(store))
    number, sha = store.journal.head()
    yield group.case("its own head is known", True, lambda: store.verify([(number, sha)]).intact)
    yield group.case("another head is found", False, lambda: store.verify([(number, "0" * 64)]).intact)


def _ends(store: Store) -> tuple[int, float, float]:
    result = store.readings.read("T1.temperature", at(0, -50), at(0, 10))
    return len(result), float(result.value[0]), float(result.value[-1])


def _anew(store: Store) -> bool:
    previous = "0" * 64
    for e in store.journal.entries():
        parts = {
            "at_ns": e.at_ns,
            "kind": e.kind,
            "number": e.number,
            "previous": previous,
            "what": e.what,
            "who": e.who,
            "why": e.why,
        }
        text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(text.encode()).hexdigest()
        if previous != e.sha256:
            return False
    return True


def _flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.chmod(0o600)
    path.write_bytes(bytes(content))


def _sql(text: str, folder: Path) -> None:
    connection = sqlite3.connect(folder / "stillroom.db")
    with connection:
        # Whoever edits a record on purpose takes its guards away first, and puts them back.
        expected = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        triggers = connection.execute(expected).fetchall()
        for name, _ in triggers:
            connection.execute(f'DROP TRIGGER "{name}"')
        connection.execute(text)
        for _, room in triggers:
            connection.execute(room)
    connection.close()


def _sealed(folder: Path) -> None:
    _flip(next(folder.glob("archive/**/*.parquet")))


def _original(folder: Path) -> None:
    _flip(next(path for path in (folder / "originals").rglob("*") if path.is_file()))


def _changed(record: _Record) -> Iterator[Case]:
    group = CaseGroup("record: one byte changed", "required: a changed byte is found and its place named")
    places: dict[str, Callable[[Path], None]] = {
        "a sealed file": _sealed,
        "an imported original": _original,
        "a reading of the database": partial(
            _sql,
            "UPDATE reading SET value = value + 0.001 WHERE arrival = (SELECT max(arrival) FROM reading)",
        ),
        "an entry of the journal": partial(
            _sql,
            "UPDATE journal SET who = 'somebody else' WHERE number = (SELECT max(number) - 2 FROM journal)",
        ),
        "a reading taken away": partial(
            _sql, "DELETE FROM reading WHERE arrival = (SELECT max(arrival) - 1 FROM reading)"
        ),
    }
    for name, change in places.items():
        yield group.case(name, ("intact", "found and named"), lambda c=change: _verdicts_of_verify(record, c))


def _verdicts_of_verify(record: _Record, change: Callable[[Path], None]) -> tuple[str, str]:
    folder = record.copy()
    before = _verified(folder)
    change(folder)
    return before, _verified(folder)


def _verified(folder: Path) -> str:
    with Store.open(folder, read_only=True) as store:
        result = store.verify()
    return "intact" if result.intact else "found and named" if result.faults else "found"


def _signed(store: Store) -> Iterator[Case]:
    group = CaseGroup("record: signature", "RFC 8032 (Ed25519)")
    key = signing_key(store, WHO)
    text, signature = b"a record", key.sign(b"a record")
    yield group.case(
        "a signature is that of its text",
        (True, False),
        lambda: (
            is_signature_of(key.public, text, signature),
            is_signature_of(key.public, b"a recorD", signature),
        ),
    )
    wrong = bytes([signature[0] ^ 1]) + signature[1:]
    yield group.case("a changed signature is none", False, lambda: is_signature_of(key.public, text, wrong))


def _restored(record: _Record, intact: bool, content: bytes) -> Iterator[Case]:
    group = CaseGroup(
        "record: backup and restore",
        "required: what is restored is verified, and equals what was backed up",
    )
    yield group.case("the backup was restored for trial and is intact", True, lambda: intact)
    yield group.case(
        "restored elsewhere: verified, all readings",
        (True, 2 * N, 20.0, 20.499),
        lambda: _brought_back(record),
    )
    yield group.case("files bit for bit", True, lambda: _same_files(record, content))
    yield group.case(
        "a backup with a changed file is not restored as intact",
        "refused or not intact",
        lambda: _damaged(record),
    )


def _brought_back(record: _Record) -> tuple[object, ...]:
    with Store.open(record.copy(), read_only=True) as again:
        return (again.verify().intact, *_ends(again))


def _same_files(record: _Record, content: bytes) -> bool:
    new = record.copy()
    kinds = ("archive", "originals")
    of = [
        {
            p.relative_to(f).as_posix(): p.read_bytes()
            for k in kinds
            for p in (f / k).rglob("*")
            if p.is_file()
        }
        for f in (record.store.folder, new)
    ]
    return of[0] == of[1] and content in of[0].values()


def _damaged(record: _Record) -> str:
    from ..errors import StillroomError

    _flip(
        max(
            (record.folder / "share" / "files").rglob("*"),
            key=lambda p: p.stat().st_size if p.is_file() else 0,
        )
    )
    try:
        report = restore(record.folder / "share", record.folder / "damaged", WHO)
    except StillroomError:
        return "refused or not intact"
    return "intact" if report.verification.intact else "refused or not intact"


def scratch() -> tempfile.TemporaryDirectory[str]:
    """A folder for them that goes away."""
    return tempfile.TemporaryDirectory(prefix="stillroom-selftest-")
