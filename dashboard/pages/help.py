"""Page Help: the pages of docs/, shown from this machine; the address names one."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from functools import cache
from pathlib import Path, PurePosixPath
from urllib.parse import parse_qs, urlencode

from dash import Dash, html
from dash.development.base_component import Component

from logger.model.roles import Act

from ..data.queries import Queries
from ..parts.markdown import markdown

TITLE = "Help"
PATH = "/help"
NEEDS = Act.READ
FIRST = "index"
# The help page that belongs to each page, by its address; the wall has no room for one.
HELP_OF: Mapping[str, tuple[str, str]] = {
    "/": ("explanation/verdict", "what a verdict says"),
    "/trend": ("explanation/guard-band", "guard band"),
    "/gradients": ("explanation/uncertainty", "uncertainty"),
    "/cases": ("explanation/cases", "cases: one event, one decision"),
    "/inspections": ("explanation/not-shown", "why is it not shown?"),
    "/soak": ("explanation/settling", "settling, soak and pre-window"),
    "/probes": ("how-to/calibration", "a probe to calibration and back"),
    "/import": ("how-to/logger-files", "logger files of five kinds"),
    "/limits": ("how-to/change-limit", "how to change a limit"),
    "/study": ("explanation/room-study", "room study"),
    "/campaigns": ("explanation/room-study", "room study"),
    "/records": ("how-to/audit-package", "an assessor's package"),
    "/journal": ("explanation/signature", "what a signature proves"),
    "/positions": ("explanation/verdict", "what a verdict says"),
    "/health": ("operation", "operation"),
}


def layout(_q: Queries, search: str) -> Component:
    """The help page that the address names, else the first one."""
    name = parse_qs(search.lstrip("?")).get("page", [FIRST])[-1]
    if name not in help_pages():
        text = "# Help page not found\n\nGo to the [list of pages](index.md)."
        return html.Div(markdown(text, lambda target: address(FIRST, target)), className="help")
    text = help_pages()[name].read_text("utf-8")
    back = [] if name == FIRST else [html.P(html.A("All help pages", href=PATH))]
    return html.Div([*back, *markdown(text, lambda target: address(name, target))], className="help")


def register(_app: Dash, _q: Queries) -> None:
    """Nothing answers here: the pages are text."""


def help_link(path: str) -> list[Component]:
    """The link to the help page that belongs to a page of the program; nothing where there is none."""
    if path not in HELP_OF:
        return []
    page, title = HELP_OF[path]
    return [
        html.P(html.A(f"Help: {title}", href=address(FIRST, f"{page}.md")), className="provenance help-link")
    ]


@cache
def help_pages() -> dict[str, Path]:
    """Every help page by its name, as in "how-to/restore"; the only files that page Help ever reads."""
    folder = docs_folder()
    return {
        page.relative_to(folder).with_suffix("").as_posix(): page for page in sorted(folder.rglob("*.md"))
    }


def docs_folder() -> Path:
    """The documentation: beside the packages in a source tree, else where it was installed."""
    beside = Path(__file__).resolve().parents[2] / "docs"
    return beside if beside.is_dir() else Path(sys.prefix) / "share" / "stillroom" / "docs"


def address(page: str, target: str) -> str | None:
    """The address in the program of a link as a help page writes it; None where it leads nowhere here.

    >>> address("explanation/verdict", "../how-to/restore.md#the-test-each-year")
    '/help?page=how-to%2Frestore#the-test-each-year'
    """
    path, _, heading = target.partition("#")
    behind = f"#{heading}" if heading else ""
    if not path:
        return behind
    if path.endswith("openapi.json"):
        return "/api/v1/openapi.json"
    name = _joined(PurePosixPath(page).parent, path.removesuffix(".md"))
    return f"{PATH}?{urlencode({'page': name})}{behind}" if name in help_pages() else None


def _joined(folder: PurePosixPath, path: str) -> str:
    """A relative path below a folder, without its dots."""
    parts: list[str] = list(folder.parts)
    for part in path.split("/"):
        if part == "..":
            parts = parts[:-1]
        else:
            parts.append(part)
    return "/".join(parts)
