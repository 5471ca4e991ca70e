"""What people read: no word of the dialect, one term for one thing, units and times as the trade writes them.

Strings are collected from the code: constants with a blank in them, docstrings aside; of commands the
docstring, too, since it is their help. The list of words is our own (common practice of technical editing,
no source).
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# Parts of the code that speak to people; the self-test prints cases with sources, the bench is ours.
SPEAKING = ("dashboard", "logger")
SILENT = (
    "logger/selftest",
    "logger/bench",
    "dashboard/bench",
    "logger/simulation",
    "logger/store/hot/migrations",
)
SQL = ("SELECT ", "INSERT ", "UPDATE ", "DELETE ", "CREATE ", "PRAGMA ", "ALTER ")

# A pattern, and what to write in its place.
DIALECT = {
    r"\bwanted\b|\bWanted\b": "expected …, found …; or enter …",
    r"\btold\b|\btells\b": "notified; given, shown",
    r"\b[Mm]end(ed|s)?\b": "correct, fix, repair",
    r"\bno instant\b": "expected a time such as …",
    r"\bhas not arrived whole|did not arrive whole\b": "upload incomplete",
    r"\btouche[sd]\b": "affects, affected",
    r"\bsign of life\b|\bsigns of life\b": "heartbeat",
    r"\b[Bb]ring (in|it in|some in) (a file|with)": "import",
    r"\bnot to be trusted\b": "marked as not to be used",
    r"\bthe calibration before\b": "the previous calibration",
    r"\bcame round\b": "last polled",
    r"\brules? (is|are|was|were) not met\b|\brule not met\b": "out of limits",
    r"\bawaits\b": "unacknowledged; awaiting decision",
    r"\bbeside each other\b": "side by side",
    r"\bsays the same\b": "is the same",
    r"\bstands (at|in the place|nowhere|open)\b": "is at; replaces",
    r"\bIt was so\b|\bWhat was so\b": "active from … to …; state of the room",
    r"\b(is|are|was) in order\b": "no faults found",
    r"\bnobody stands for\b|\bstands for it\b": "has no author yet",
    r"\b[Aa]nother person puts it in force\b": "another person approves it",
    r"\bto be decided on\b": "awaiting decision",
    r"\bspeaks: |\bsilent: (not|less|no )": "shown; not shown",
    r"\blook whether\b": "check that",
    r"\brules? (is|are|was|were) broken\b|\bof rules was broken\b": "out of limits",
    r"\bdoes not tell it from\b": "does not distinguish it from",
    r"\bpromises came true\b|\blaid in\b": "forecasts were right; planned",
    r"\bWants \d": "Needs …",
    r"\b[Ii]nspections that run\b": "running inspections",
    r"\bnot kept (at|again)\b|\bkept again\b": "out of limits; within limits again",
    r"\b[Aa]nswers? for the room\b": "custodian; responsible for the room",
    r"\bYou entered “”": "nothing (errors.you_entered)",
    r"\bwas planned yet\b": "No … yet.",
    r"\bWhere to\?": "name a folder with --to",
    r"\bis called so\b": "has this name",
    r"\bwants? a look\b": "needs attention",
    r"\b(account|administrator) was (not )?made\b|\bmake the first administrator\b": "create",
    r"\bthat the terminal shows\b": "shown in the terminal",
    r"\bsaid nothing\b": "without a message",
    r"\bare another case\b": "become another case",
    r"\bNothing asks this\b": "is not polled",
    r"\b1 (zones|probes|rules|certificates|alarms|readings|files)\b": "plural by number",
}


def is_command(node: ast.AST) -> bool:
    """Whether a decorator makes a command of it."""
    return any("command" in ast.unparse(decorator) for decorator in getattr(node, "decorator_list", ()))


def docstrings(tree: ast.AST) -> set[int]:
    """Ids of the nodes that are docstrings."""
    result = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and not is_command(node):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                result.add(id(first.value))
    return result


def strings(path: Path) -> Iterator[tuple[int, str]]:
    """(line, text) of each string with a blank in it; fields of an f-string are written as `{}`."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    aside = docstrings(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            aside |= {
                id(part) for part in ast.walk(node) if part is not node and isinstance(part, ast.Constant)
            }
            parts = (str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values)
            text = "".join(parts)
            yield from [(node.lineno, text)] if " " in text.strip() else []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in aside:
            yield from [(node.lineno, node.value)] if " " in node.value.strip() else []


def speaking_files() -> list[Path]:
    """Every file that holds words for people."""
    files = (p for root in SPEAKING for p in sorted((ROOT / root).rglob("*.py")))
    return [p for p in files if not p.relative_to(ROOT).as_posix().startswith(SILENT)]


@cache
def all_strings() -> list[tuple[str, int, str]]:
    """(file, line, text) of everything that people read."""
    return [
        (path.relative_to(ROOT).as_posix(), line, text)
        for path in speaking_files()
        for line, text in strings(path)
        if not text.lstrip().startswith(SQL)
    ]


def faults(pattern: str) -> list[str]:
    """Where a pattern stands in what people read."""
    return [f"{file}:{line}: {text[:100]}" for file, line, text in all_strings() if re.search(pattern, text)]


@pytest.mark.slow
def test_strings_are_collected() -> None:
    """The test below can fail: it reads some thousand strings, and sees a planted one."""
    assert len(all_strings()) > 2500
    assert any("Stop measuring" in text for _, _, text in all_strings())
    assert re.search(next(iter(DIALECT)), "Length: wanted a number, found abc.")


@pytest.mark.parametrize("pattern", DIALECT)
def test_nobody_reads_the_dialect(pattern: str) -> None:
    """The thing is said as the trade says it; the table says how."""
    assert faults(pattern) == [], f"write instead: {DIALECT[pattern]}"


def test_differences_of_temperature_are_in_kelvin() -> None:
    """Rates and gradients in K/h and K/m: our own rule, so that no offset of 273.15 is ever asked about."""
    assert faults(r"± ?\d[\d.]* ?°C per|°C/(h|m)\b") == []


def test_percent_and_units_have_a_space() -> None:
    """`14 %`, `20 °C` (SI Brochure, 9th edition, 5.4.3 and 5.4.7, from memory)."""
    assert faults(r"[\d}]°C|[\d}](µm|mm|K)\b(?<!\{K)") == []


@pytest.mark.parametrize("page", sorted((ROOT / "docs").rglob("*.md")), ids=lambda p: p.stem)
def test_pages_of_the_documentation_are_free_of_it(page: Path) -> None:
    """The same words in the documentation; reference pages are written from the strings above."""
    text = page.read_text(encoding="utf-8")
    lines = [
        f"{i}: {line.strip()[:100]}"
        for i, line in enumerate(text.splitlines(), 1)
        for p in DIALECT
        if re.search(p, line)
    ]
    assert lines == []
