"""The program that draws charts in the browser: plotly.js with the kinds of chart that pages have.

The bundle of the Python package holds every kind of chart and is three times as large, and a browser reads
all of it before the first line shows. The small one (assets/drawing/, MIT) is served at its address instead,
as long as both are of one version.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from dash import Dash
from flask import Response, send_file
from plotly.offline import get_plotlyjs_version

ENDPOINT = "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>"
ADDRESS = "/_dash-component-suites/plotly/package_data/plotly.min.js"
GRAPH = "/_dash-component-suites/dash/dcc/async-graph.js"
SMALL = Path(__file__).parent / "assets" / "drawing" / "plotly-cartesian.min.js"
_HEAD_BYTES = 400


def version_of(bundle: Path) -> str:
    """The version that the head of a bundle names; empty where there is none."""
    head = bundle.read_bytes()[:_HEAD_BYTES].decode("utf-8", "replace")
    return next(
        (line.rpartition(" v")[2] for line in head.splitlines() if "plotly.js" in line and " v" in line), ""
    )


def fetched_ahead() -> str:
    """What the head of a page with charts says: fetch early, run after the page's own programs."""
    return f'<script defer src="{ADDRESS}"></script><link rel="preload" as="script" href="{GRAPH}">'


def theme_first(address: Callable[[str], str]) -> str:
    """The theme, set before anything is painted; `address` of a file in assets/."""
    return f'<script src="{address("drawing/theme.js")}"></script>'


def install(app: Dash) -> None:
    """Serve the small bundle in place of the large one."""
    if version_of(SMALL) != get_plotlyjs_version():
        return
    others: Callable[..., Any] = app.server.view_functions[ENDPOINT]

    def serve(package_name: str, fingerprinted_path: str) -> Response:
        if package_name == "plotly":
            return send_file(SMALL, mimetype="application/javascript", conditional=True, etag=True)
        answer: Response = others(package_name, fingerprinted_path)
        return answer

    app.server.view_functions[ENDPOINT] = serve
