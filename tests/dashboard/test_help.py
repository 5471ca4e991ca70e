"""Page Help: every page of docs/ is shown in the program, and every link in it leads somewhere."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from dashboard.app import PAGES
from dashboard.data.queries import Queries
from dashboard.pages.help import HELP_OF, docs_folder, help_link, help_pages, layout
from tests.command_line import ROOT
from tests.dashboard.synthetic import Synthetic


@pytest.fixture(scope="module")
def q() -> Iterator[Queries]:
    record = Synthetic()
    yield Queries(record, lambda: record.now, 5.0)
    record.store.close()


def components(part: Any) -> Iterator[Any]:
    """Everything inside a component, texts too."""
    yield part
    children = getattr(part, "children", None) or []
    for child in children if isinstance(children, list | tuple) else [children]:
        yield from components(child)


def targets(part: Any) -> list[str]:
    """Addresses of all links inside a component."""
    return [str(component.href) for component in components(part) if getattr(component, "href", None)]


def identifiers(part: Any) -> set[str]:
    return {str(component.id) for component in components(part) if getattr(component, "id", None)}


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(help_pages()))
def test_every_link_of_a_help_page_leads_somewhere(q: Queries, name: str) -> None:
    """To another help page and a heading on it, or to the description of the interface."""
    drawn = layout(q, f"?page={name}")
    assert "Help page not found" not in str(drawn)
    for target in targets(drawn):
        path, _, heading = target.partition("#")
        if path.startswith("/help?"):
            behind = layout(q, path.removeprefix("/help"))
            assert "Help page not found" not in str(behind), target
            assert not heading or heading in identifiers(behind), target
        else:
            assert path in ("/help", "/api/v1/openapi.json") or heading in identifiers(drawn), target


@pytest.mark.slow
def test_the_first_help_page_leads_to_all_others(q: Queries) -> None:
    """No page that nobody finds."""
    named = {target.partition("page=")[2].replace("%2F", "/") for target in targets(layout(q, ""))}
    assert named - {""} == set(help_pages()) - {"index"}


@pytest.mark.parametrize("name", ["../README", "/etc/passwd", "index.md", "", "..%2Fpyproject", "decisions"])
def test_nothing_but_help_pages_is_read(q: Queries, name: str) -> None:
    """An address names a page of the list or nothing."""
    drawn = str(layout(q, f"?page={name}"))
    assert "Help page not found" in drawn or (name == "" and "Start here" in drawn)


def test_markup_in_a_page_stays_text(q: Queries) -> None:
    """HTML of a text is shown and never built."""
    from dashboard.parts.markdown import markdown

    drawn = markdown("a <script>alert(1)</script> b", lambda target: target)
    assert {type(component).__name__ for part in drawn for component in components(part)} == {"P", "str"}


def test_every_page_has_its_help(q: Queries) -> None:
    """All but the wall and Help itself; each link leads to a page that is there."""
    assert set(HELP_OF) == {p.PATH for p in PAGES} - {"/wall", "/help"}
    assert {name for name, _ in HELP_OF.values()} <= set(help_pages())
    assert [link for path in HELP_OF for link in help_link(path) if not targets(link)] == []
    assert help_link("/wall") == []


def test_the_help_travels_with_the_program() -> None:
    """Each folder of docs/ stands among the files that are installed."""
    files = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]["data-files"]
    folders = {p.parent.relative_to(docs_folder()).as_posix() for p in help_pages().values()}
    installed = {"share/stillroom/docs" if f == "." else f"share/stillroom/docs/{f}" for f in folders}
    assert installed <= set(files)
