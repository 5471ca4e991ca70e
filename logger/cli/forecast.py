"""Where a zone is heading: minutes to a limit, and how likely it is reached within the hour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from ..instants import NS
from ..model import Rule
from .context import Session, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Zone
from .output import answer, table

if TYPE_CHECKING:
    from ..core.judge.forecast import FitLine, Gain
    from ..core.judge.forecast_model import ForecastModel
    from ..verdicts.verdicts import Verdicts


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
    with open_session(data, config) as session:
        session.setup.zone(zone)
        rows = _rows(session, zone)
    heads = ("probe", "now", "per_hour", "limit", "probability", "minutes", "earliest", "latest", "forecast")
    cells = [[row[h] for h in heads] for row in rows]
    answer(rows, as_json, [_headline(rows), "", *table(heads, cells)])


def _headline(rows: list[dict[str, Any]]) -> str:
    if any(row["minutes"] is not None for row in rows):
        return "Forecast:"
    if rows and all(row["stays_within"] for row in rows):
        return "No limit is expected to be reached within 60 min."
    return "No forecast: the last hour shows no trend, or earlier forecasts were not good enough."


def _rows(session: Session, zone: str) -> list[dict[str, Any]]:
    from ..core.judge.forecast import WINDOW_MIN, line
    from ..verdicts.forecast_gains import ForecastGains

    verdicts, now_ns = session.verdicts(), session.now_ns
    gains = ForecastGains(verdicts).today(zone, now_ns)
    rules = [r for r in session.setup.rules_of(zone) if r.kind == "limit" and r.from_ns <= now_ns]
    rules = [r for r in rules if r.to_ns is None or r.to_ns > now_ns]
    rows = []
    for rule in rules:
        for channel in (c for c in session.setup.channels_of(rule) if c in session.setup.channels):
            taken_ns, reading = verdicts.corrected_readings(channel, now_ns - WINDOW_MIN * 60 * NS, now_ns)
            minute = (taken_ns - now_ns) / (60 * NS)
            gain = gains.get((rule.key, channel))
            rows.append(_row(channel, rule, gain, line(minute, reading.value)))
            if gain is not None and gain.speaks and gain.model is not None:
                rows[-1] |= _by_model(session, verdicts, channel, rule, gain.model)
    return rows


def _by_model(
    session: Session, verdicts: Verdicts, channel: str, rule: Rule, model: ForecastModel
) -> dict[str, Any]:
    """What the regression says of a channel, from the minutes of the last 3 h."""
    import numpy as np

    from ..core.judge.forecast_model import CLOCK_MIN, leaving
    from ..core.judge.outlook import crossing_by, resolution_of

    first = session.now_ns // (60 * NS) - CLOCK_MIN
    taken_ns, reading = verdicts.corrected_readings(channel, first * 60 * NS, session.now_ns)
    cell = taken_ns // (60 * NS) - first
    n = np.bincount(cell, minlength=1)
    y = np.where(n > 0, np.bincount(cell, weights=reading.value, minlength=1) / np.maximum(n, 1), np.nan)
    limits, resolution = (rule.lower, rule.upper), resolution_of(session.setup, channel)
    expected = leaving(model, y, first, limits, resolution)
    ahead, probability, within = crossing_by(model, expected, rule)
    ends = (None, None, None, None) if ahead is None else (
        ahead.limit, round(ahead.minutes), round(ahead.earliest), round(ahead.latest or ahead.minutes)
    )  # fmt: skip
    names = ("limit", "minutes", "earliest", "latest")
    probable = None if probability is None else round(probability, 2)
    return {"probability": probable, "stays_within": within, **dict(zip(names, ends, strict=True))}


def _row(channel: str, rule: Rule, gain: Gain | None, trend: FitLine | None) -> dict[str, Any]:
    from ..core.judge.forecast import crossing, stays_within
    from ..core.judge.outlook import skill_text

    speaks = trend is not None and gain is not None and gain.speaks
    ahead = crossing(trend, rule.lower, rule.upper) if speaks and trend is not None else None
    within = speaks and trend is not None and stays_within(trend, rule.lower, rule.upper)
    return {
        "probe": channel,
        "forecast": skill_text({} if gain is None else {(rule.key, channel): gain}),
        "stays_within": within,
        "now": None if trend is None else round(trend.level, 2),
        "per_hour": None if trend is None else round(trend.slope * 60, 2),
        "limit": None if ahead is None else ahead.limit,
        "probability": None,
        "minutes": None if ahead is None else round(ahead.minutes),
        "earliest": None if ahead is None else round(ahead.earliest),
        "latest": None if ahead is None or ahead.latest is None else round(ahead.latest),
    }
