"""The readings of a view as a file: CSV with UTC and local time, U, unit and the verdict of that time."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

import numpy as np
from dash import Dash
from flask import Response, request

from logger.errors import StillroomError
from logger.instants import NS, rfc3339
from logger.model import DERIVED, Period
from logger.model.roles import Act
from logger.series import Float, Int
from logger.units import quantity

from ..access.needs import needs
from ..data.channels import channels_in, channels_of
from ..data.queries import Queries
from ..data.words import local_offset, unit
from .trend_view import TrendView, view_of

PATH = "/trend.csv"
HEAD = ("time_utc", "local_time", "probe", "quantity", "value", "U", "unit", "verdict", "reason")
DAY_NS = 86_400 * NS


def register(app: Dash, q: Queries) -> None:
    """The route of the file."""

    @needs(Act.READ)
    def trend_csv() -> Response:
        try:
            view = view_of(q, "?" + request.query_string.decode("utf-8", "replace"))
        except StillroomError as refused:
            return Response(f"{refused}\n", 400, mimetype="text/plain")
        name = f"{view.zone}-{rfc3339(view.from_ns)[:10]}.csv"
        sent = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(lines(q, view), mimetype="text/csv", headers=sent)

    app.server.add_url_rule(PATH, endpoint="trend_csv", view_func=trend_csv, methods=["GET"])


def lines(q: Queries, view: TrendView) -> Iterator[str]:
    """Every reading of the view, corrected, in the unit of the record; a derived quantity once a minute.

    A day at a time, so that years take no more memory than a day.
    """
    yield _line(HEAD)
    channels = [(c, name) for name in view.quantities for c in _channels(q, view, name)]
    for begin in range(view.from_ns, view.to_ns, DAY_NS):
        end = min(begin + DAY_NS, view.to_ns)
        periods = q.periods(view.zone, begin, end)
        for channel, name in channels:
            yield "".join(_rows(q, channel, name, (begin, end), periods))


def _channels(q: Queries, view: TrendView, name: str) -> list[str]:
    every = channels_of(q.setup, name)
    return [c for c in view.channels if c in every] or channels_in(q.setup, view.zone, name)


def _rows(
    q: Queries, channel: str, name: str, window: tuple[int, int], periods: list[Period]
) -> Iterator[str]:
    taken_ns, value, U = _values(q, channel, name, window)
    starts = np.array([p.from_ns for p in periods], np.int64)
    printed, zone = unit(quantity(name).unit), q.room.timezone
    probe = channel.rpartition(".")[0]
    for at, v, u in zip(taken_ns.tolist(), value.tolist(), U.tolist(), strict=True):
        place = int(np.searchsorted(starts, at, "right")) - 1
        period = periods[place] if place >= 0 and at < periods[place].to_ns else None
        verdict = (period.verdict, period.reason) if period else ("", "")
        number = "" if v != v else f"{v:.6g}"  # noqa: PLR0124 (NaN: the poll failed)
        uncertainty = "" if u != u else f"{u:.3g}"  # noqa: PLR0124
        stamp = local_offset(at, zone, seconds=True)
        yield _line((rfc3339(at), stamp, probe, name, number, uncertainty, printed, *verdict))


def _values(q: Queries, channel: str, name: str, window: tuple[int, int]) -> tuple[Int, Float, Float]:
    if name not in DERIVED or channel in q.setup.channels:
        return q.source.corrected(channel, *window)
    curve = q.source.curve(channel, *window, max((window[1] - window[0]) // (60 * NS), 1))
    return curve.start_ns, curve.mean, curve.U


def _line(cells: tuple[str, ...]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue()
