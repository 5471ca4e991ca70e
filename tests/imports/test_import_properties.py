"""What holds for every file: twice is once, the order of files does not matter, nothing is lost."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import ImportRefused
from logger.imports import Profile, import_file
from logger.instants import NS
from logger.model import Setup

T0_S = 1_790_000_000
Readings = list[tuple[int, str]]

cells = st.one_of(st.integers(1900, 2100).map(lambda n: f"{n / 100:.2f}"), st.just("OL"), st.just("---"))
readings = st.lists(st.tuples(st.integers(0, 30), cells), min_size=1, max_size=25)
trial = settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)


def brought(store: Any, rows: Readings, profile: Profile, setup: Setup) -> None:
    """Imports rows of (minute, cell) as a file of epoch seconds."""
    text = "time,temperature\n" + "".join(f"{T0_S + minute * 60},{cell}\n" for minute, cell in rows)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.csv"
        path.write_text(text)
        import_file(path, profile, store, setup, "Greta Holm", 2 * T0_S * NS)


def epoch(plain: Profile) -> Profile:
    return replace(plain, form="epoch_s", decimal=".")


@pytest.mark.slow
@trial
@given(rows=readings)
def test_an_import_twice_equals_once(rows: Readings, plain: Profile, setup: Setup, memory: Any) -> None:
    """The same readings in other bytes: in reverse order, so that the digest cannot tell."""
    store = memory()
    brought(store, rows, epoch(plain), setup)
    once = store.stored_rows()
    brought(store, rows[::-1], epoch(plain), setup)
    assert store.stored_rows() == once


@pytest.mark.slow
@trial
@given(first=readings, other=readings)
def test_the_order_of_two_overlapping_files_does_not_matter(
    first: Readings, other: Readings, plain: Profile, setup: Setup, memory: Any
) -> None:
    here, there = memory(), memory()
    for store, files in ((here, (first, other)), (there, (other, first))):
        for rows in files:
            brought(store, rows, epoch(plain), setup)
    assert here.stored_rows() == there.stored_rows()


@trial
@given(rows=readings)
def test_every_value_of_the_file_is_in_the_store(
    rows: Readings, plain: Profile, setup: Setup, memory: Any
) -> None:
    store = memory()
    brought(store, rows, epoch(plain), setup)
    expected = {((T0_S + m * 60) * NS, None if c in ("OL", "---") else float(c)) for m, c in rows}
    assert {(r.taken_ns, r.value) for r in store.rows} == expected


GOOD = b"time;temperature\n13.10.2026 09:00:00;20,05\n13.10.2026 09:01:00;20,06\n13.10.2026 09:02:00;OL\n"
cuts = st.tuples(st.integers(0, len(GOOD)), st.integers(0, 12), st.binary(max_size=6))


@settings(trial, max_examples=150)
@given(edits=st.lists(cuts, min_size=1, max_size=4))
def test_a_damaged_file_is_imported_or_refused_with_a_sentence(
    edits: list[tuple[int, int, bytes]], plain: Profile, setup: Setup, memory: Any
) -> None:
    """Bytes cut out and put in at random: never another error than a refusal, and then nothing is stored."""
    content = GOOD
    for at, length, put in edits:
        content = content[:at] + put + content[at + length :]
    store = memory()
    text = None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.csv"
        path.write_bytes(content)
        try:
            import_file(path, plain, store, setup, "Greta Holm", 2 * T0_S * NS)
        except ImportRefused as refused:
            text = str(refused)
    assert text is None or (text.startswith("made.csv: ") and store.rows == [])
