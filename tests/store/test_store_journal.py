"""The chain of the journal, recomputed here from its description and not by its own code."""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import StoreError
from logger.store import Store
from logger.store.hot.database import FILE
from logger.store.hot.journal import canonical

from .conftest import OCTOBER, polled

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


def test_the_chain_follows_its_description(store: Store, folder: Path) -> None:
    """A stranger with sqlite3, json and hashlib recomputes every digest."""
    store.append("poll", polled(OCTOBER, 2))
    store.journal.append("act", "Ines Fäber", {"b": [1, 2.5, None], "a": 'µ"\\'}, "because\n")

    previous = "0" * 64
    with closing(sqlite3.connect(folder / FILE)) as stranger:
        rows = stranger.execute(
            "SELECT number, at_ns, kind, who, what, why, sha256 FROM journal ORDER BY number"
        )
        for number, at_ns, kind, who, what, why, sha256 in rows:
            fields = {"at_ns": at_ns, "kind": kind, "number": number, "previous": previous}
            fields |= {"what": json.loads(what), "who": who, "why": why}
            text = json.dumps(fields, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
            assert hashlib.sha256(text.encode()).hexdigest() == sha256
            previous = sha256

    assert store.journal.head() == (3, previous)


@pytest.mark.slow
def test_entries_are_found_by_kind_and_number(store: Store) -> None:
    """The newest come first on request, and batches can be left out."""
    store.append("poll", polled(OCTOBER, 1))
    for what in ("a", "b"):
        store.journal.append("act", "Radek Sova", {"what": what})

    assert [entry.what["what"] for entry in store.journal.entries(kind="act")] == ["a", "b"]
    assert [entry.kind for entry in store.journal.entries(without=("batch",))] == ["store", "act", "act"]
    (newest,) = store.journal.entries(newest_first=True, limit=1)
    assert newest.number == store.journal.head()[0]
    assert store.journal.entries(after=newest.number) == []


@pytest.mark.slow
@pytest.mark.parametrize("what", [{"x": math.nan}, {"x": object()}], ids=["NaN", "no JSON"])
def test_what_is_no_json_is_refused(store: Store, what: dict[str, object]) -> None:
    """An entry that could not be read back the same is not written."""
    with pytest.raises(StoreError, match="must be JSON"):
        store.journal.append("act", "Radek Sova", what)  # type: ignore[arg-type]

    assert store.journal.head()[0] == 1


@given(JSON)
def test_canonical_text_reads_back_the_same(value: object) -> None:
    """One text per value, and the value from the text."""
    text = canonical(value)

    assert json.loads(text) == value
    assert canonical(json.loads(text)) == text
