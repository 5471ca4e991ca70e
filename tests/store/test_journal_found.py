"""Searching the journal: every word, in any field, as plain text."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A record with four acts."""
    ticks = iter(range(100, 100_000, 100))
    opened = Store.open(tmp_path / "data", create=True, simulated=True)
    opened.journal._clock = lambda: next(ticks)  # the instants of the acts
    opened.journal.append("alarm", "Greta Holm", {"alarm": "bay-temperature"}, "door was open")
    opened.journal.append("setup-proposed", "Ines Faber", {"version": 2}, "100 % of the band")
    opened.journal.append("alarm", "service", {"alarm": "bench_span"}, "")
    opened.journal.append("mark", "Greta Holm", {"zone": "machine-bay"}, "filter changed")
    return opened


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("greta", ["mark", "alarm"]),
        ("GRETA door", ["alarm"]),
        ("machine-bay", ["mark"]),
        ("100 %", ["setup-proposed"]),
        ("bench_span", ["alarm"]),
        ("bench%span", []),
        ("nothing of the kind", []),
    ],
)
def test_every_word_must_be_there(store: Store, text: str, kinds: list[str]) -> None:
    """Newest first; % and _ are letters like others."""
    assert [entry.kind for entry in store.journal.search(text)] == kinds


def test_window_kind_and_person_narrow_it(store: Store) -> None:
    """Half-open in time; kinds and machines can be left out; a reader can go on below a number."""
    every = store.journal.search(without=("store",))
    assert [e.kind for e in every] == ["mark", "alarm", "setup-proposed", "alarm"]
    assert store.journal.search(from_ns=every[1].at_ns, to_ns=every[0].at_ns) == [every[1]]
    assert store.journal.search(kinds=("alarm",), not_by=("service",)) == [every[3]]
    assert store.journal.search(below=every[2].number, kinds=("alarm",)) == [every[3]]
    assert len(store.journal.search(limit=2)) == 2
    assert "mark" in store.journal.kinds()
