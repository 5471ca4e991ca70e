"""The rules of the house, each checked by the tool that knows it, with the command of README.md."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from markdown_it import MarkdownIt
from markdown_it.token import Token

from logger.cli.program import program
from logger.cli.reference import commands_of, commands_reference
from logger.config.key_descriptions import DESCRIPTIONS
from logger.config.reference import TABLES, configuration_reference, keys_of
from tests.programs import NEEDS_ALL, library
from tests.programs import program as program_of_others

ROOT = Path(__file__).resolve().parents[1]
CODE = sorted([*(ROOT / "logger").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")])
BROAD = re.compile(r"except Exception\b")
# Words that say nothing as names of functions, parameters, locals and attributes (DEVELOPERS.md, "Names").
EMPTY_WORDS = {"asked", "done", "found", "given", "kept", "known", "made", "one", "said", "told", "wanted"}
EMPTY_WORD = re.compile(rf"\b_*({'|'.join(sorted(EMPTY_WORDS))})_*\b")
# Texts and remarks, in which no name is bound; without them few files are left to be parsed.
PROSE = re.compile(r""""{3}.*?"{3}|"(?:\\.|[^"\\\n])*"|'(?:\\.|[^'\\\n])*'|#[^\n]*""", re.DOTALL)
EMPTY_WORDS_ALLOWED = {
    ("logger/errors.py", "found"),  # beside `expected`: what a refusal says in this order
    ("logger/probes/plug_in.py", "found"),
    ("logger/selftest/case.py", "found"),
    ("logger/core/alarms/lifecycle.py", "told"),  # a key of stored alarms
    ("logger/service/incoming.py", "known"),  # a key of an answer over HTTP
}
CONFIG_FILES = (
    *("room.toml", "probes.toml", "limits.toml", "alarms.toml", "service.toml"),
    *("certificates", "profiles"),
)


def checked(*command: str) -> None:
    """Run a tool of this environment; what it says is the failure."""
    result = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stdout + result.stderr


def test_ruff_finds_nothing() -> None:
    checked("ruff", "check", "logger", "dashboard", "tests")


def test_the_code_is_formatted() -> None:
    checked("ruff", "format", "--check", "logger")


def test_every_type_is_known() -> None:
    checked("mypy")


def test_imports_point_down_only() -> None:
    """The floors of pyproject.toml; `lint-imports` has no module form, so its entry is called."""
    code = "import sys; from importlinter.cli import lint_imports_command as run; sys.exit(run())"
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stdout + result.stderr


def test_files_stay_short_enough_to_read() -> None:
    """About 400 lines (a house rule); 30 more are tolerated before a file must be parted."""
    lengths = {file.relative_to(ROOT).as_posix(): len(file.read_text("utf-8").splitlines()) for file in CODE}
    assert {name: n for name, n in lengths.items() if n > 430} == {}


def test_no_name_is_an_empty_word() -> None:
    """What a name stands for is the thing; the few that are allowed are read or written by others."""
    texts = {
        f.relative_to(ROOT).as_posix(): f.read_text("utf-8") for f in [*CODE, *(ROOT / "tests").rglob("*.py")]
    }
    suspects = {file: text for file, text in texts.items() if EMPTY_WORD.search(PROSE.sub(" ", text))}
    named = {(file, name) for file, text in suspects.items() for name in names_in(text)}
    assert {(file, name) for file, name in named if name.strip("_") in EMPTY_WORDS} == EMPTY_WORDS_ALLOWED


def test_every_kind_of_name_is_seen() -> None:
    """One planted name of each kind: import, class, function, parameter, local, attribute, pattern …"""
    planted = """
import a as told
class made:
    done: int
def kept(one, *wanted, **given): self._asked = [known for known in one]
try: pass
except Exception as found: pass
match 1:
    case [said, *_]: pass
"""
    assert {name.strip("_") for name in names_in(planted)} - {"a"} == EMPTY_WORDS


def names_in(source: str) -> Iterator[str]:
    """Every name that a file binds."""
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name) | ast.ClassDef(name=name):
                yield name
            case ast.arg(arg=name) | ast.alias(asname=str(name)):
                yield name
            case ast.Name(id=name, ctx=ast.Store()) | ast.Attribute(attr=name, ctx=ast.Store()):
                yield name
            case (
                ast.ExceptHandler(name=str(name))
                | ast.MatchAs(name=str(name))
                | ast.MatchStar(name=str(name))
            ):
                yield name


def test_the_page_of_commands_is_what_the_program_says() -> None:
    """Every command and option with its help, as docs/commands.md ships it."""
    root = typer.main.get_command(program())
    assert len(list(commands_of(root))) > 70
    text = (ROOT / "docs" / "commands.md").read_text("utf-8")
    assert text == commands_reference(root), "Run: python -m logger.cli.reference > docs/commands.md"


def test_every_configuration_key_has_a_meaning() -> None:
    """Each key that a file may hold is described, and nothing is described that no file may hold."""
    for table in (table for tables in TABLES.values() for table in tables):
        keys = {key for key, _ in keys_of(table.model)}
        described = set(DESCRIPTIONS[table.name])
        assert keys == described, f"logger/config/key_descriptions.py, {table.name}: {keys ^ described}"


def test_the_page_of_configuration_is_what_the_program_reads() -> None:
    """Every key with type, bounds, unit and default, as docs/configuration.md ships it."""
    text = (ROOT / "docs" / "configuration.md").read_text("utf-8")
    expected = configuration_reference()
    assert text == expected, "Run: python -m logger.config.reference > docs/configuration.md"


def test_every_configuration_file_is_explained() -> None:
    """Each file of the example begins by saying what it is, and README.md names each."""
    readme = (ROOT / "README.md").read_text("utf-8")
    assert [name for name in CONFIG_FILES if name not in readme] == []
    for file in (ROOT / "config").rglob("*.toml"):
        if file.parent.name == "config":
            assert file.read_text("utf-8").startswith("#"), f"{file.name} begins without saying what it is"


def test_the_readme_is_short_enough_to_read() -> None:
    """A hundred lines; what does not fit is a page of docs/."""
    assert len((ROOT / "README.md").read_text("utf-8").splitlines()) <= 100


def test_every_link_leads_somewhere() -> None:
    """Links between the pages of the repository: the file is there, and so is the heading behind a #."""
    pages = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *(ROOT / "sample_logs").glob("*.md")]
    assert len(pages) > 25
    broken = [f"{page.name}: {link}" for page in pages for link in links_of(page) if not leads(page, link)]
    assert broken == []


def links_of(page: Path) -> list[str]:
    """Targets of links and pictures of a page, without those to other hosts."""
    tokens = [child for token in parsed_page(page) for child in token.children or ()]
    targets = [str(token.attrGet("href") or token.attrGet("src") or "") for token in tokens]
    return [target for target in targets if target and "://" not in target]


def leads(page: Path, link: str) -> bool:
    """Whether the file of a link is there and, behind a #, a heading of that name."""
    path, _, anchor = link.partition("#")
    target = (page.parent / path).resolve() if path else page
    return target.exists() and (not anchor or anchor in headings_of(target))


def headings_of(page: Path) -> set[str]:
    """Names of the headings of a page: small letters, hyphens for spaces."""
    tokens = parsed_page(page)
    texts = [tokens[n + 1].content for n, token in enumerate(tokens) if token.type == "heading_open"]
    return {re.sub(r"[^\w -]", "", text.lower()).replace(" ", "-") for text in texts}


def parsed_page(page: Path) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse(page.read_text("utf-8"))


def test_failures_of_any_kind_are_caught_where_the_rules_say() -> None:
    """`except Exception` turns a failure into stored data or a refusal, in seven files and nowhere else."""
    catching = {f.relative_to(ROOT).as_posix() for f in CODE if BROAD.search(f.read_text("utf-8"))}
    assert catching == {
        "logger/errors.py",
        "logger/probes/bus.py",
        "logger/probes/foreign.py",
        "logger/probes/mqtt.py",
        "logger/processes/confined_child.py",
        "logger/selftest/thermal.py",
        "logger/service/jobs.py",
    }


def test_the_two_commands_are_those_that_run() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    run = "python3 -m venv .venv && .venv/bin/pip install -e . && .venv/bin/stillroom demo"
    pytest = ".venv/bin/python -m pytest -n auto --dist loadfile"
    test = f"python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && {pytest}"
    assert f"```sh\n{run}\n```" in readme
    assert f"```sh\n{test}\n```" in readme
    slow = f'{pytest} -m "slow and not long"'
    assert (ROOT / ".ci" / "run").read_text("utf-8").endswith(f"\n{test}\n{slow}\n")


def test_the_licence_is_whole() -> None:
    text = (ROOT / "LICENSE").read_text("utf-8")
    assert "Apache License" in text
    assert "END OF TERMS AND CONDITIONS" in text


def test_the_map_of_the_house_names_every_room() -> None:
    """DEVELOPERS.md is where a newcomer looks first; a room that is not on its map is lost."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rooms = [file.parent for file in CODE if file.name == "__init__.py"]
    near = [room for room in rooms if len(room.relative_to(ROOT).parts) == 2 or room.parent.name == "core"]
    assert [room.name for room in near if f"{room.name}/" not in text] == []


def test_every_room_says_what_it_holds() -> None:
    """The first line of a package is what its neighbours know of it."""
    packages = {f.relative_to(ROOT).as_posix(): f.read_text("utf-8") for f in CODE if f.name == "__init__.py"}
    assert [n for n, text in packages.items() if not text.startswith('"""') or "To be" in text[:9]] == []


def docstrings(source: str) -> list[str]:
    """Every docstring of a module and of what it defines."""
    described = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    nodes = [node for node in ast.walk(ast.parse(source)) if isinstance(node, described)]
    return [text for node in nodes if (text := ast.get_docstring(node))]


LEANING = re.compile(r"(The same\b|Likewise\b|Ditto\b|As above\b)")


def test_every_docstring_stands_alone() -> None:
    leaning = {
        f"{file.relative_to(ROOT)}: {text.splitlines()[0]}"
        for file in CODE
        for text in docstrings(file.read_text("utf-8"))
        if LEANING.match(text)
    }
    assert leaning == set()
    assert LEANING.match(docstrings('def f():\n    """The same for a probe."""\n')[0])


def test_no_example_of_a_property_has_a_time_limit() -> None:
    """Such a limit fails on a busy machine: the profile of tests/conftest.py has none, nor has any test."""
    from hypothesis import settings

    assert settings().deadline is None
    limited = re.compile(r"@settings\([^)]*\bdeadline\b")
    own = [file for file in (ROOT / "tests").rglob("*.py") if limited.search(file.read_text("utf-8"))]
    assert own == []


@pytest.mark.parametrize(
    ("all_needed", "outcome"), [("", pytest.skip.Exception), ("1", pytest.fail.Exception)]
)
def test_a_missing_library_is_missed_like_a_missing_program(
    monkeypatch: pytest.MonkeyPatch, all_needed: str, outcome: type[BaseException]
) -> None:
    monkeypatch.setenv(NEEDS_ALL, all_needed)
    for need in (library, program_of_others):
        with pytest.raises(outcome, match="nothing_of_this_name is not installed"):
            need("nothing_of_this_name")


def test_no_test_is_skipped_where_all_is_needed() -> None:
    """Skips of pytest's own for a library know nothing of STILLROOM_NEEDS_ALL."""
    skip = "pytest.import" + "orskip"
    assert [str(path) for path in (ROOT / "tests").rglob("*.py") if skip in path.read_text("utf-8")] == []
