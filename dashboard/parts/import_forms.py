"""The questions about a file and the picture of what would be stored, as parts of page Import."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from dash import html
from dash.development.base_component import Component

from logger.errors import Refused
from logger.imports import Profile, choose_profile, known_profiles
from logger.imports.profile import UNKNOWN, Column
from logger.instants import NS
from logger.model.figures import channel_words, number_of
from logger.units import quantity

from ..data.queries import Queries
from ..data.words import local, plain
from .components import behind, button, card, choice, field, svg, table
from .import_desk import Upload

if TYPE_CHECKING:
    from logger.imports.preview import PreviewLine, TimeAxis

NEW = "?"
ORDERS = {
    "": "detect from the file", "day-month-year": "day, month, year", "month-day-year": "month, day, year",
    "year-month-day": "year, month, day",
}  # fmt: skip
DECIMALS = {"": "detect from the file", ".": "a point", ",": "a comma"}
LEAVE = ""
GAPS = 10


def questions(q: Queries, upload: Upload) -> list[Component]:
    """How the file is read: by a profile that is known, or by answers given here once."""
    profiles = profiles_of(q)
    options = {NEW: "new profile from the answers below"} | {name: p.name for name, p in profiles.items()}
    fitting = _fitting(upload, profiles)
    fields = [_select(upload, "profile", "Profile", options, fitting or NEW)]
    if upload.described is None:
        return [html.Div([*fields, _look()], className="form")]
    profile = upload.described.profile
    of_time = [
        _text(upload, "zone", f"Time zone, such as {q.room.timezone} or +01:00", ""),
        _select(upload, "order", "Order in dates", ORDERS, profile.order or ""),
        _select(upload, "decimal", "Decimal separator", DECIMALS, profile.decimal or ""),
        _text(upload, "name", "Name of this source", profile.name),
    ]
    open_now = [html.Li(question) for question in upload.described.questions]
    columns = [_column(q, n, upload) for n in range(len(upload.described.columns))]
    return [
        *([html.P("Please fill in:"), html.Ul(open_now)] if open_now else []),
        html.Div([*fields, *of_time], className="form"),
        *(html.Div(row, className="form") for row in columns),
        html.Div([_look()], className="form"),
        behind("Show the profile as a file", html.Pre(upload.described.text)),
    ]


def profiles_of(q: Queries) -> dict[str, Profile]:
    """Profiles of the setup in force and those that imports used."""
    versions = q.source.store.setups.versions()
    texts: Mapping[str, str] = versions[-1].texts if versions else {}
    return known_profiles(texts, q.source.store.imports.all())


def _fitting(upload: Upload, profiles: Mapping[str, Profile]) -> str:
    try:
        fitting = choose_profile(PurePath(upload.name), profiles.values())  # type: ignore[arg-type]
    except Refused:
        return ""
    return next(name for name, profile in profiles.items() if profile is fitting)


def _look() -> Component:
    return button({"type": "import-step", "step": "look"}, "Preview")


def _select(upload: Upload, of: str, label: str, options: Mapping[str, str], value: str) -> Component:
    answer = upload.answers.get(of, value)
    return choice({"type": "import-answer", "of": of}, label, options, answer if answer in options else value)


def _text(upload: Upload, of: str, label: str, value: str) -> Component:
    return field({"type": "import-answer", "of": of}, label, upload.answers.get(of, value))


def _column(q: Queries, n: int, upload: Upload) -> list[Component]:
    """One column of numbers: which channel it is, and in which unit."""
    assert upload.described is not None  # noqa: S101 (asked for by `questions` alone)
    guess = upload.described.columns[n]
    channels = {LEAVE: "do not import"} | {
        c: channel_words(c) for c in (guess.candidates or tuple(q.setup.channels))
    }
    units = sorted({u for c in q.setup.channels.values() for u in quantity(c.quantity).units if u != "1"})
    unit = guess.unit if guess.unit in units else ""
    chosen = guess.channel if guess.channel in channels else LEAVE
    open_unit = f"as column {guess.unit_in} says" if guess.unit_in else "no unit given"
    label = f"Column {guess.name}, such as {guess.example}: channel"
    return [
        _select(upload, f"channel {n}", label, channels, chosen),
        _select(
            upload,
            f"unit {n}",
            f"Unit of {guess.name}",
            {"": open_unit} | {u: u for u in units},
            "" if guess.unit_in else unit,
        ),
    ]


def profile_from_answers(q: Queries, upload: Upload, answers: Mapping[str, Any]) -> Profile:
    """The profile that the answers make; Refused where no column is left."""
    name = str(answers.get("profile") or NEW)
    if name != NEW:
        return profiles_of(q)[name]
    if upload.described is None:
        raise Refused("Choose the profile to read this file by.")
    columns = [_answered_column(c, n, answers) for n, c in enumerate(upload.described.profile.columns)]
    numeric = tuple(c for c in columns if c is not None)
    if not numeric:
        raise Refused("Assign at least one column to a channel.")
    return replace(
        upload.described.profile,
        name=str(answers.get("name") or upload.described.profile.name),
        zone=str(answers.get("zone") or "").strip() or None,
        order=answers.get("order") or None,
        decimal=answers.get("decimal") or None,
        columns=numeric,
    )


def _answered_column(column: Column, n: int, answers: Mapping[str, Any]) -> Column | None:
    channel = answers.get(f"channel {n}") or LEAVE
    if channel in (LEAVE, UNKNOWN):
        return None
    unit = answers.get(f"unit {n}") or None
    return replace(column, channel=str(channel), unit=unit, unit_in=None if unit else column.unit_in)


def preview_card(q: Queries, upload: Upload) -> Component:
    """What would be stored: counts, rows, the time axis, gaps, flagged rows, everything assumed."""
    assert upload.tried is not None  # noqa: S101 (asked for when it was tried)
    result, preview = upload.tried
    if result.already or preview is None:
        return card("Imported before", html.P(f"{upload.name} was already imported. Nothing to do."))
    sentence = (
        f"{result.stored:,} readings would be stored, {result.duplicates:,} are there already, "
        f"{len(result.conflicts)} contradict stored values, {result.flagged:,} have no value."
    )
    rows = [*preview.first, *(r for r in preview.last if r not in preview.first)]
    return card(
        "Preview",
        html.P(sentence),
        svg(axis_svg(preview.axes)),
        _axes(q, preview.axes),
        _rows(q, "First and last rows", rows),
        *([_rows(q, "Rows without a value", preview.flagged)] if preview.flagged else []),
        *_gaps(q, preview.axes),
        html.P("Assumed:"),
        html.Ul([html.Li(note) for note in result.assumed]),
        button({"type": "import-step", "step": "import"}, "Import"),
    )


def _axes(q: Queries, axes: Sequence[TimeAxis]) -> Component:
    zone = q.room.timezone
    rows = [
        [
            channel_words(a.channel),
            a.rows,
            "" if a.step_s is None else f"{a.step_s:g} s",
            local(a.first_ns, zone),
            local(a.last_ns, zone),
            "" if a.low is None else plain(a.low, a.unit),
            "" if a.high is None else plain(a.high, a.unit),
        ]
        for a in axes
    ]
    heads = ["channel", "readings", "every", "from, local", "to, local", "lowest", "highest"]
    return table(heads, rows, "Channels of the file", figures=(1, 2, 3, 4, 5, 6))


def _rows(q: Queries, caption: str, rows: Sequence[PreviewLine]) -> Component:
    channels = list(dict.fromkeys(channel for row in rows for channel, _ in row.values))
    body = [
        [row.line, local(row.taken_ns, q.room.timezone), *(dict(row.values).get(c, "") for c in channels)]
        for row in rows
    ]
    heads = ["line", "at, local", *map(channel_words, channels)]
    return table(heads, body, caption, figures=tuple(range(len(heads))))


def _gaps(q: Queries, axes: Sequence[TimeAxis]) -> list[Component]:
    """The longest gaps; those that channels share are told once."""
    zone = q.room.timezone
    gaps = sorted({gap for a in axes for gap in a.gaps}, key=lambda gap: gap[0] - gap[1])
    if not gaps:
        return [html.P("No gap.")]
    rows = [[local(a, zone), local(b, zone), f"{(b - a) / NS / 60:.1f} min"] for a, b in sorted(gaps[:GAPS])]
    more = f" (the longest {GAPS} of {len(gaps)})" if len(gaps) > GAPS else ""
    return [table(["from, local", "to, local", "length"], rows, f"Gaps{more}", figures=(0, 1, 2))]


def axis_svg(axes: Sequence[TimeAxis]) -> str:
    """How densely the time is filled, a line for each channel: bars by count, nothing where nothing is."""
    high, width = 22, 600
    height = high * max(1, len(axes))
    parts = []
    for n, axis in enumerate(axes):
        most, base = max(axis.counts, default=0) or 1, (n + 1) * high - 3
        wide = width / len(axis.counts)
        for place, count in enumerate(axis.counts):
            tall = 0 if not count else max(2, round((high - 6) * count / most))
            parts.append(
                f'<rect x="{place * wide:g}" y="{base - tall}" width="{wide - 1:g}" height="{tall}"/>'
            )
        parts.append(f'<line x1="0" x2="{width}" y1="{base + 1}" y2="{base + 1}"/>')
    label = "; ".join(
        f"{channel_words(a.channel)}: {number_of(a.rows, 'reading')}, {number_of(len(a.gaps), 'gap')}"
        for a in axes
    )
    return (
        f'<svg viewBox="0 0 {width} {height}" class="import-axis" role="img" aria-label="Time axis: {label}" '
        f'xmlns="http://www.w3.org/2000/svg">{"".join(parts)}</svg>'
    )
