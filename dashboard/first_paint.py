"""What a browser shows of page Now while the programs of the page load: the room, its verdicts, their time.

It is part of the document itself, so that an answer is there before a megabyte of programs has been read;
they replace it. It does not follow the room, and says of when it is.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from .data.queries import Queries
from .data.words import local_offset
from .pages import now
from .parts.markup import markup


def loading(q: Queries, above: Sequence[Component]) -> str:
    """The frame with the verdicts of now, as markup; `above`: ribbon and head."""
    at = local_offset(q.now_ns(), q.room.timezone, seconds=True)
    words = html.Div(f"State of {at}. The page is loading…", className="alerts")
    line = html.Div(html.Div(words, className="strip"), className="alarm-line")
    answers = html.Div(now.first_sentences(q), className="sentences")
    return markup(html.Div([*above, line, answers], className="shell first-paint"))
