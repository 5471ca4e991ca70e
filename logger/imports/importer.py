"""A logger file into the store: whole or not at all, and twice is the same as once.

Because a value is only ever added to what is there, the order of two overlapping files does
not matter. A fault word or sentinel is stored as a sensor fault with its text.
"""

from __future__ import annotations

import hashlib
import io
import re
import stat
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from ..errors import ImportRefused, UnitError
from ..instants import NS, rfc3339
from ..model import Setup
from ..processes.confined import start_early
from ..processes.waits import moved, waiting_for
from ..series import ImportedReadings, Readings
from .comparison import Compared, Conflict, against
from .outside import Content, reading_of
from .profile import Profile
from .reading import Reading, Series
from .samples import LOOKED_AT, refuse_invented, refuse_simulated
from .writing import profile_text

if TYPE_CHECKING:
    from ..store import Store

Say = Callable[[str], None]
LONG = 1 << 20  # bytes


@dataclass(frozen=True)
class ImportResult:
    """What an import did, or would do. `rows` are lines of the table, `stored` readings."""

    sha256: str
    name: str
    rows: int = 0
    stored: int = 0
    duplicates: int = 0
    conflicts: tuple[Conflict, ...] = ()
    flagged: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    assumed: tuple[str, ...] = ()
    left_out: tuple[tuple[int, str], ...] = ()  # lines that somebody named, with their text
    already: bool = False


def import_file(  # noqa: PLR0917 - all that an import depends on, in one call
    path: Path,
    profile: Profile,
    store: Store,
    setup: Setup,
    who: str,
    now_ns: int,
    dry_run: bool = False,
    report: Say | None = None,
    without: frozenset[int] = frozenset(),
) -> ImportResult:
    """Imports a file; ImportRefused, with nothing changed, where a question is open."""
    if _is_long(path):
        start_early()  # the child is ready by the time a long file is copied and its digest known
    with private_copy(path) as copy:
        return import_content(
            plain_name(path), copy, profile, store, setup, who, now_ns, dry_run, report, without
        )


def import_content(  # noqa: PLR0917
    name: str,
    content: Content,
    profile: Profile,
    store: Store,
    setup: Setup,
    who: str,
    now_ns: int,
    dry_run: bool = False,
    report: Say | None = None,
    without: frozenset[int] = frozenset(),
) -> ImportResult:
    """Imports what came under a name: bytes, or an unchanging file. ImportRefused as `import_file`."""
    report = report or _silent
    sha256, beginning = identity_of(content)
    if store.imports.find(sha256) is not None:
        return ImportResult(sha256, name, already=True)
    refuse_simulated(name, sha256, beginning, simulated=store.simulated)
    report(f"{name}: reading")
    reading = checked(name, content, profile, setup, now_ns, without)
    if reading.simulated:
        refuse_invented(name, simulated=store.simulated)
    refuse_two_orders([*orders_of(store), (name, profile.name, reading.assumed)])
    if dry_run:
        return trial(name, sha256, reading, store)
    with store.importing():  # two imports of one file side by side would both find nothing stored
        if store.imports.find(sha256) is not None:
            return ImportResult(sha256, name, already=True)
        report(f"{name}: comparing {reading.rows:,} rows with the record")
        compared = [against(s, _stored(s, store)) for s in reading.series]
        result = _counted(
            ImportResult(sha256, name, reading.rows, assumed=reading.assumed, left_out=reading.left_out),
            reading,
            compared,
        )
        report(f"{name}: storing {result.stored:,} readings")
        _store(store, result, compared, content, profile, who, now_ns)
    return result


def trial(name: str, sha256: str, reading: Reading, store: Store) -> ImportResult:
    """What an import of this reading would do just now; nothing is stored."""
    compared = [against(s, _stored(s, store)) for s in reading.series]
    return _counted(
        ImportResult(sha256, name, reading.rows, assumed=reading.assumed, left_out=reading.left_out),
        reading,
        compared,
    )


def orders_of(store: Store) -> list[tuple[str, Any, Any]]:
    """Name, profile and notes of each file that was imported."""
    return [(f.name, f.summary.get("profile"), f.summary.get("assumed", ())) for f in store.imports.all()]


def refuse_two_orders(files: Sequence[tuple[str, object, Sequence[str]]]) -> None:
    """ImportRefused where the last of some files proves another order of dates than one of the same profile.

    files: name, name of the profile and notes of each. One logger writes one order, so one of them is not
    what it seems; a declared order is no proof and is not compared.
    """
    name, profile, notes = files[-1]
    mine = _proven_order(notes)
    others = ((n, _proven_order(a)) for n, p, a in files[:-1] if p == profile)
    other = next(((n, o) for n, o in others if mine and o and o != mine), None)
    if other is not None:
        raise ImportRefused(
            f"{name}: its dates prove {mine}, those of {other[0]}, read by the same profile, "
            f"{other[1]}. One of the two may be in another order than it seems. Check both; then give this "
            f'file a profile of its own with `order = "{mine}"` under [time].'
        )


def _proven_order(notes: Sequence[str]) -> str:
    orders = (re.fullmatch(r"dates are (\S+), proven by the whole file", note) for note in notes)
    return next((match[1] for match in orders if match), "")


def _silent(_: str) -> None:
    """Nobody is told."""


def checked(  # noqa: PLR0917
    name: str,
    content: Content,
    profile: Profile,
    setup: Setup,
    now_ns: int,
    without: frozenset[int] = frozenset(),
) -> Reading:
    """What a file says but for the lines left out by name; its name stands in front of a refusal.

    Nothing of it may lie in the future.
    """
    try:
        reading = reading_of(name, content, profile, setup, without)
    except (ImportRefused, UnitError) as error:
        text = str(error)
        bad_line = error.bad_line if isinstance(error, ImportRefused) else None
        raise ImportRefused(text if text.startswith(f"{name}: ") else f"{name}: {text}", bad_line) from None
    _refuse_future(name, reading, setup, now_ns)
    return reading


def plain_name(path: Path) -> str:
    """The name of a file as text that can be stored: a byte that is no UTF-8 becomes "?"."""
    return plain_text(path.name)


def plain_text(text: str) -> str:
    """Text without halves of characters, which no file in UTF-8 can hold."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


def content_of(path: Path) -> bytes:
    """The bytes of a file; ImportRefused where it cannot be read or is empty."""
    whole = io.BytesIO()
    _copy(path, whole)
    return whole.getvalue()  # the buffer itself, no copy of it


@contextmanager
def private_copy(path: Path) -> Iterator[Path]:
    """A copy that nobody else changes while it is looked at, compared and stored, and that fills no memory.

    ImportRefused where the file cannot be read or is empty.
    """
    with tempfile.TemporaryDirectory(prefix="stillroom-import-") as folder:
        copy = Path(folder) / "file"
        with copy.open("wb") as into:
            _copy(path, into)
        yield copy


def identity_of(content: Content) -> tuple[str, bytes]:
    """The SHA-256 of a file, and its beginning."""
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest(), content
    with content.open("rb") as file:
        sha256, _ = hashlib.file_digest(file, "sha256").hexdigest(), file.seek(0)
        return sha256, file.read(LOOKED_AT)


def _is_long(path: Path) -> bool:
    try:
        return path.stat().st_size > LONG
    except OSError:
        return False  # told when it is read


def _copy(path: Path, into: BinaryIO) -> None:
    """All of a file; ImportRefused where it cannot be read, or has nothing but blanks in it."""
    filled = False
    try:
        with waiting_for(f"the file {path}"):
            _refuse_no_file(path)
            with path.open("rb", buffering=0) as file:
                while part := file.read(1 << 20):
                    filled = filled or bool(part.lstrip(b"\0 \t\r\n"))
                    into.write(part)
                    moved()
    except OSError as error:
        instead = " Give this account the right to read it." if isinstance(error, PermissionError) else ""
        raise ImportRefused(f"{path}: cannot be read: {error.strerror}.{instead}") from None
    if not filled:
        raise ImportRefused(f"{path.name}: expected a table of readings, found an empty file.")


def _refuse_no_file(path: Path) -> None:
    """ImportRefused for a folder, and for a pipe: that may never end, and gives what it holds only once."""
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise ImportRefused(
            f"{path} is a folder: name its files, or let `stillroom import --watch {path}` import them one "
            "by one."
        )
    if not stat.S_ISREG(mode):
        raise ImportRefused(
            f"{path}: expected a file, found a pipe or a device. Write what comes out of it to a file, and "
            "import that."
        )


def _refuse_future(name: str, reading: Reading, setup: Setup, now_ns: int) -> None:
    """A reading from the future would hide, as the newest one, that its probe fell silent."""
    last_ns = max((int(s.taken_ns[-1]) for s in reading.series if len(s.taken_ns)), default=None)
    if last_ns is not None and last_ns > now_ns + round(setup.clock_limit_s * NS):
        raise ImportRefused(
            f"{name}: the last reading was taken at {rfc3339(last_ns)}, in the future of this "
            f"machine's clock (it is {rfc3339(now_ns // NS * NS)} now). Check `zone` and `order` under "
            "[time] in the profile, the logger's clock and this one."
        )


def _stored(series: Series, store: Store) -> Readings:
    if len(series.taken_ns) == 0:
        return Readings.empty()
    return store.readings.read_stamped(
        series.channel.key, int(series.taken_ns[0]), int(series.taken_ns[-1]) + 1
    )


def _counted(result: ImportResult, reading: Reading, compared: Sequence[Compared]) -> ImportResult:
    ends = [(int(s.taken_ns[0]), int(s.taken_ns[-1])) for s in reading.series if len(s.taken_ns)]
    return replace(
        result,
        stored=sum(len(c.new.taken_ns) for c in compared),
        duplicates=sum(c.duplicates for c in compared),
        conflicts=tuple(conflict for c in compared for conflict in c.conflicts),
        flagged=sum(int(np.isnan(s.value).sum()) for s in reading.series),
        first_ns=min((first for first, _ in ends), default=None),
        last_ns=max((last for _, last in ends), default=None),
    )


def _store(  # noqa: PLR0917
    store: Store,
    result: ImportResult,
    compared: Sequence[Compared],
    content: Content,
    profile: Profile,
    who: str,
    now_ns: int,
) -> None:
    # Readings first: if the machine stops in between, importing again skips them all as duplicates.
    short = result.sha256[:12]
    lines = [
        ImportedReadings(c.new.channel.key, c.new.taken_ns, c.new.value, c.new.raw, now_ns, f"import:{short}")
        for c in compared
        if len(c.new.taken_ns)
    ]
    store.load_series(f"import-{short}", lines, now_ns)
    summary = _summary(result, profile, who)
    store.imports.record(result.sha256, result.name, content, summary, who=who, at_ns=now_ns)


def _summary(result: ImportResult, profile: Profile, who: str) -> dict[str, Any]:
    body = {
        k: v for k, v in asdict(result).items() if k not in ("conflicts", "assumed", "already", "left_out")
    }
    return body | {
        "profile": profile.name,
        "profile_text": profile_text(profile),  # what was answered once is found again by the next file
        "who": who,
        "assumed": list(result.assumed),
        **({"left_out": [{"line": n, "text": t} for n, t in result.left_out]} if result.left_out else {}),
        "conflicts": [asdict(c) for c in result.conflicts],
    }
