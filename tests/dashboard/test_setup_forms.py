"""Limits and probes are proposed from the pages: what to enter is said, and files come out that load."""

from __future__ import annotations

import pytest

from dashboard.data.queries import Queries
from dashboard.data.words import field_text
from dashboard.pages import limits, probes
from dashboard.parts.limit_form import texts_with_limit
from dashboard.parts.probe_form import texts_with_probe
from logger.config import load_texts
from logger.errors import Refused
from logger.instants import NS

RULE = "machine-bay.temperature"
MOVE = {"kind": "move", "probe": "P3", "position": "bench-air", "other": "", "table": ""}


def at(q: Queries) -> str:
    """A time of an hour ago, as it is typed."""

    return field_text(q.now_ns() - 3600 * NS, q.room.timezone)


def test_a_limit_comes_out_as_files_that_load(q: Queries) -> None:
    """Numbers with a point, the rest of the setup as it was."""
    setup = load_texts(texts_with_limit(q, RULE, "19.6", "20.4", "Room study of October")).setup
    rule = next(r for r in setup.rules if r.key == RULE)
    assert (rule.lower, rule.upper, rule.basis) == (19.6, 20.4, "Room study of October")
    assert len(setup.rules) == len(q.setup.rules)


@pytest.mark.parametrize(
    ("entries", "sentence"),
    [
        ((RULE, "19.5", "20,4", "b"), "Upper limit: enter a number, for example 20.5. You entered “20,4”."),
        ((RULE, "21", "20.5", "b"), "Upper limit: enter one above 21. You entered “20.5”."),
        ((RULE, "19.5", "20.4", " "), "Basis: enter where the numbers come from"),
        (("machine-bay.heat", "1", "2", "b"), "Rule: choose one from the list."),
    ],
)
def test_what_to_enter_is_said(q: Queries, entries: tuple[str, str, str, str], sentence: str) -> None:
    """The field, an example, and what was entered."""
    with pytest.raises(Refused) as refused:
        texts_with_limit(q, *entries)
    assert sentence in str(refused.value)


def test_a_probe_is_moved_and_removed(q: Queries) -> None:
    """The placement ends when the deed was done; of a move another one begins."""
    moved = load_texts(texts_with_probe(q, {**MOVE, "at": at(q)})).setup
    assert [p.position for p in moved.placements if p.probe == "P3"][-1] == "bench-air"
    removed = load_texts(texts_with_probe(q, {**MOVE, "kind": "remove", "at": at(q)})).setup
    assert all(p.to_ns is not None for p in removed.placements if p.probe == "P3")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"at": "soon"}, "When it was done: expected a local time"),
        ({"at": "2199-01-01"}, "When it was done: enter a time in the past."),
        ({"kind": "replace"}, "Replaced by: choose a registered probe"),
        ({"kind": "add"}, "New probe: enter its table as in probes.toml"),
        ({"position": "machine-scale"}, "P3 is at machine-scale already"),
    ],
)
def test_what_to_enter_of_a_probe_is_said(q: Queries, change: dict[str, str], sentence: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(Refused) as refused:
        texts_with_probe(q, {**MOVE, "at": at(q), **change})
    assert sentence in str(refused.value)


def test_forms_are_for_those_who_may_propose(q: Queries) -> None:
    """Drawn outside of a request nobody is signed in to less, so both cards are there."""
    assert "limit-rule" in str(limits.layout(q, ""))
    assert "place-kind" in str(probes.layout(q, ""))
