"""Where a zone is heading: minutes to a limit, and how likely it is reached within the hour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json, Zone
from .output import answer, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..verdicts.zone_forecast import ProbeForecast

HEADS = ("probe", "now", "per hour", "limit", "probability", "minutes", "earliest", "latest", "forecast")


def add_to(app: typer.Typer) -> None:
    app.command("forecast", short_help="Minutes to a limit, and how likely it is reached.")(forecast)


def forecast(*, zone: Zone, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Say how likely each probe is to leave its limits within the hour, and when, with an interval.

    A forecast is shown only where those of the last weeks were better than "it stays as it is" on this room's
    own record, by the method that was better there; a crossing only while half of such forecasts or more were
    right. It is a help for planning: it never counts as an excursion, raises no alarm, and knows nothing of
    what a person may do meanwhile.

    \b
    Example:
      stillroom forecast --zone machine-bay
    """
    from ..verdicts.zone_forecast import zone_forecast

    with open_session(data, config) as session:
        forecasts = zone_forecast(session.verdicts(), zone, session.now_ns)
    rows = [vars(f) for f in forecasts]
    cells = [[row[head.replace(" ", "_")] for head in HEADS] for row in rows]
    answer(rows, as_json, [_headline(forecasts), "", *table(HEADS, cells)])


def _headline(forecasts: Sequence[ProbeForecast]) -> str:
    if any(f.minutes is not None for f in forecasts):
        return "Forecast:"
    if forecasts and all(f.stays_within for f in forecasts):
        return "No limit is expected to be reached within 60 min."
    return "No forecast: the last hour shows no trend, or earlier forecasts were not good enough."
