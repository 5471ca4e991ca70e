"""What pages answer while the record cannot be used: the sentence that says why, and no verdict of before."""

from __future__ import annotations

import logging
from http import HTTPStatus

from flask import Response, current_app, request

from logger.errors import StoreError

from .needs import at_this_machine

log = logging.getLogger(__name__)
AGAIN_S = 15
TITLE = "The record cannot be read now"


def outage_answer(fault: StoreError, simulated: bool) -> Response:
    """A page that asks again by itself, for a browser that wants one; else a line of text.

    Who asks is not known, for that stands in the record: the sentence with the address of the database goes
    to this machine alone, and into the log.
    """
    log.error("%s %s: %s", request.method, request.path, fault)
    why = str(fault) if at_this_machine() else "The log of this program says why; ask who looks after it."
    headers = {"Retry-After": str(AGAIN_S), "Cache-Control": "no-store"}
    if request.method != "GET" or not request.accept_mimetypes.accept_html:
        text = f"{TITLE}. {why}\n"
        return Response(text, HTTPStatus.SERVICE_UNAVAILABLE, headers, mimetype="text/plain")
    # Not by `render_template`, which would look up who asks: in the record.
    template = current_app.jinja_env.get_template("outage.html")
    page = template.render(title=TITLE, room="stillroom", simulated=simulated, why=why, again_s=AGAIN_S)
    return Response(page, HTTPStatus.SERVICE_UNAVAILABLE, {**headers, "Refresh": str(AGAIN_S)})
