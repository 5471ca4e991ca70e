"""A limit that is changed by a form changes its own lines: comments, order and everything else stay."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.config import load_texts
from logger.config.limit_edits import limit_tables, with_limit
from logger.errors import Refused, UnknownName

CONFIG = Path(__file__).parents[2] / "config"
RULE = "machine-bay.temperature"


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    """The shipped example, as stored in a setup."""
    files = [*CONFIG.glob("*.toml"), *CONFIG.glob("certificates/*.toml"), *CONFIG.glob("profiles/*.toml")]
    return {p.relative_to(CONFIG).as_posix(): p.read_text(encoding="utf-8") for p in files}


def test_only_the_lines_of_the_limit_change(texts: dict[str, str]) -> None:
    """Two lines differ, the comment behind a value stays, and the files load as a setup with that limit."""
    changed = with_limit(texts, RULE, {"upper_degC": 20.4}, 'Room study, "October"')
    before, after = texts["limits.toml"].split("\n"), changed["limits.toml"].split("\n")
    differing = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert [b for _, b in differing] == ["upper_degC = 20.4", 'basis = "Room study, \\"October\\""']
    assert {k: v for k, v in changed.items() if k != "limits.toml"} == {
        k: v for k, v in texts.items() if k != "limits.toml"
    }
    rule = next(r for r in load_texts(changed).setup.rules if r.key == RULE)
    assert (rule.lower, rule.upper, rule.basis) == (19.5, 20.4, 'Room study, "October"')


def test_every_limit_of_the_example_can_be_changed(texts: dict[str, str]) -> None:
    """Whatever its kind: each key of each rule takes another number, and the rest of the setup stays."""
    for name, table in limit_tables(texts).items():
        for key, value in table.limits.items():
            changed = with_limit(texts, name, {key: value * 1.01}, table.basis)
            assert limit_tables(changed)[name].limits[key] == pytest.approx(value * 1.01, rel=1e-9)
            assert {n: t for n, t in limit_tables(changed).items() if n != name} == {
                n: t for n, t in limit_tables(texts).items() if n != name
            }


def test_a_comment_behind_the_number_stays() -> None:
    """As in `d = 0.5   # why`."""
    text = '[rules.bay.span]\nspan_1h_K = 0.5   # tried in May\nbasis = "a # b"  # c\n'
    changed = with_limit({"limits.toml": text}, "bay.span", {"span_1h_K": 0.4}, "new")
    assert (
        changed["limits.toml"] == '[rules.bay.span]\nspan_1h_K = 0.4   # tried in May\nbasis = "new"  # c\n'
    )


def test_what_cannot_be_done_is_refused(texts: dict[str, str]) -> None:
    """Another name, and nothing to change, are sentences."""
    with pytest.raises(UnknownName, match=r"bay\.heat"):
        with_limit(texts, "bay.heat", {}, "")
    table = limit_tables(texts)[RULE]
    with pytest.raises(Refused, match="Enter another limit or another basis"):
        with_limit(texts, RULE, dict(table.limits), table.basis)
