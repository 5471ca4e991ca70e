"""A record held against its backups: heads of the chain that left, and which rows were changed."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...errors import ArchiveAway, Refused, StoreDamaged
from ...instants import rfc3339
from ...series import STATUS
from ..hot.database import FILE
from ..rows import NUMERIC, TEXTS, Columns
from ..store import Store
from ..types import Seal, Verification
from .catalogue import MARKER, Generation, heads, is_target, newest_good
from .folder import plain_target_errors, read_json
from .scrub import scrub

SHOWN = 20  # rows named one by one
FIELDS = tuple(name for name in (*NUMERIC, *TEXTS) if name not in {"arrival", "seq", "writer"})


def verify_record(
    store: Store, checked_heads: Sequence[tuple[int, str]] = (), target: Path | None = None
) -> Verification:
    """Verify a record against heads that left this machine, and against those in a folder of backups.

    Where something is altered, the rows that differ from the newest good backup are named as well.
    """
    if target is None:
        return _with_heads(store.verify(checked_heads), checked_heads, "")
    _refuse_other(store, target)
    all_heads = [*heads(target), *checked_heads]
    verification = _with_heads(store.verify(all_heads), all_heads, f" of {target}")
    read = scrub(target)
    line = (
        f"{read.files} files of the backups in {target}, {read.size_bytes / 1e6:.1f} MB, with their digests"
    )
    verification = replace(
        verification, faults=(*verification.faults, *read.sentences), compared=(*verification.compared, line)
    )
    good = newest_good(target)
    if not verification.faults or good is None:
        return verification
    named = list(itertools.islice(find_differences(store, good), SHOWN + 1))
    more = ["more rows differ from the backup; these are the first"] if len(named) > SHOWN else []
    return replace(verification, faults=(*verification.faults, *named[:SHOWN], *more))


def _with_heads(
    verification: Verification, checked_heads: Sequence[tuple[int, str]], where: str
) -> Verification:
    """The verification, with the heads of the chain that the record was compared with."""
    if not checked_heads:
        line = (
            "the chain with a head that left this machine: none was given, so a chain that was made anew as a"
            " whole would not show. Give one with --head, or a folder of backups with --backup"
        )
        return replace(verification, left_out=(*verification.left_out, line))
    number, sha256 = max(checked_heads)
    counted = f"{len(checked_heads)} heads{where}" if len(checked_heads) > 1 else "the head"
    line = f"the chain with {counted} that left this machine, the newest is entry {number}, {sha256}"
    return replace(verification, compared=(*verification.compared, line))


def find_differences(store: Store, good: Generation) -> Iterator[str]:
    """A sentence for every reading that is not what it was in that backup."""
    try:
        with Store.open(good.folder, read_only=True) as copy:
            yield from _of_hot(store, copy, good.name)
    except StoreDamaged as error:
        yield f"rows of the hot tier could not be compared one by one: {error}"
    objects = {sha256 for sha256, _ in good.files.values()}
    for seal in store.archive.seals(disposed=False):
        if seal.sha256 in objects:
            yield from _of_file(store, seal, good)


def _of_hot(store: Store, copy: Store, name: str) -> Iterator[str]:
    now, then = store.hot.all_rows(), copy.hot.all_rows()
    still_hot = then.part(~store.archive.sealed_rows(then))
    for writer in sorted(set(still_hot.writer.table)):
        yield from describe_differences(_by(now, writer), _by(still_hot, writer), writer, name)


def _of_file(store: Store, seal: Seal, good: Generation) -> Iterator[str]:
    try:
        content = store.archive.content.get(seal.file)
    except FileNotFoundError:
        content = b""
    except ArchiveAway:
        return  # the verification says so
    if hashlib.sha256(content).hexdigest() == seal.sha256:
        return
    yield f"file {seal.file}: is whole in backup {good.name}, as files/{seal.sha256[:2]}/{seal.sha256}"
    with plain_target_errors(good.folder.parent):
        pristine = good.object(seal.sha256).read_bytes()
    try:
        now, then = store.archive.rows_in(seal.file, content), store.archive.rows_in(seal.file, pristine)
    except StoreDamaged:
        return  # what cannot be read cannot be compared; the file is named already
    for writer in sorted(set(then.writer.table)):
        yield from describe_differences(_by(now, writer), _by(then, writer), writer, good.name)


def describe_differences(now: Columns, then: Columns, writer: str, name: str) -> Iterator[str]:
    """Rows of one writer, by their numbers: what differs, and what is gone."""
    for at in np.flatnonzero(~np.isin(then.seq, now.seq)).tolist():
        yield f"{_reading(then, at, writer)}: is in backup {name} and is missing here"
    _, here, there = np.intersect1d(now.seq, then.seq, return_indices=True)
    a, b = now.part(here), then.part(there)
    unlike = {field: _differs_mask(a, b, field) for field in FIELDS}
    for at in np.flatnonzero(np.logical_or.reduce(list(unlike.values()))).tolist():
        changes = [
            f"{field} was {_format_field(b, field, at)}, is {_format_field(a, field, at)}"
            for field in FIELDS
            if unlike[field][at]
        ]
        yield f"{_reading(b, at, writer)}: in backup {name} {'; '.join(changes)}"


def _differs_mask(a: Columns, b: Columns, field: str) -> NDArray[np.bool_]:
    left, right = getattr(a, field), getattr(b, field)
    if field in TEXTS:
        texts = [np.array(column.table, object)[column.codes] for column in (left, right)]
        return np.asarray(texts[0] != texts[1], np.bool_)
    both_none = np.isnan(left) & np.isnan(right) if field == "value" else False
    return np.asarray((left != right) & ~np.asarray(both_none), np.bool_)


def _format_field(columns: Columns, field: str, at: int) -> str:
    value: Any = getattr(columns, field)[at]
    if field == "status":
        return STATUS[value] if value < len(STATUS) else str(value)
    if field in {"taken_ns", "received_ns"}:
        return rfc3339(int(value))
    return repr(value.item()) if hasattr(value, "item") else repr(value)


def _reading(columns: Columns, at: int, writer: str) -> str:
    at_text = rfc3339(int(columns.taken_ns[at]))
    return f"reading {columns.seq[at]} of writer {writer} ({columns.channel[at]}, {at_text})"


def _by(columns: Columns, writer: str) -> Columns:
    if writer not in columns.writer.table:
        return columns.part(slice(0))
    return columns.part(columns.writer.codes == columns.writer.table.index(writer))


def _refuse_other(store: Store, target: Path) -> None:
    if not target.is_dir() or not is_target(target):
        raise Refused(f"{target} is not a backup folder; name the one given to `stillroom backup --to`.")
    if (read_json(target / MARKER) or {}).get("record") != store.key:
        raise Refused(f"{target} holds the backups of another record than {store.folder / FILE}.")
