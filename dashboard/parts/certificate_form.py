"""A further certificate, from the paper or as XML: its effect first, then a proposal for two people."""

from __future__ import annotations

import base64
import binascii
import re
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import dash_mantine_components as dmc
import numpy as np
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from logger.config import load_texts
from logger.config.edits import with_certificates
from logger.core.calibration.apply import correct_readings
from logger.errors import Refused
from logger.first_room.certificates import CHOICES, DOCUMENT, ENTERED, channel_texts, check_channel
from logger.first_room.draft import ChannelDraft, Draft
from logger.imports.drafting import key_of
from logger.model import Certificate, Setup
from logger.model.roles import Act
from logger.units import quantity

from ..access.needs import allowed, needs
from ..data.queries import Queries
from ..data.words import field_text, figure, plain_difference, point, signed_figure
from .components import behind, button, card, choice, draft_of_setup, field, slot, table
from .proposal import register_proposal

# Key of an answer -> label, what stands there as an example. The order is that of the page.
FIELDS = {
    "number": ("Number", "MG-0511-T"),
    "issuer": ("Issued by", "laboratory"),
    "calibrated": ("Calibrated on", "2026-03-02"),
    "due": ("Due on", "2027-03-02"),
    "valid": ("In use from", "2026-03-05"),
    "drift": ("Largest drift until due, ±", "0.05"),
    "basis": ("Basis of the drift", "three recalibrations"),
}
POINTS = "Points, one a line: indication, reference, U (k = 2)"
REASON = "Reason"
KINDS = {key: words for key, words in CHOICES if key in (ENTERED, DOCUMENT)}


def certificate_form(q: Queries) -> list[Component]:
    """The card, for those who may propose; what is typed survives a reload until the setup changes."""
    if not allowed(Act.PROPOSE) or not q.setup.channels:
        return []
    channels = {
        key: q.label(key) + f", {c.quantity.replace('_', ' ')}" for key, c in q.setup.channels.items()
    }
    bare = next((key for key in channels if not q.setup.certificates_of(key)), next(iter(channels)))
    draft = draft_of_setup(q)
    fields = [
        field(f"cert-{key}", label, _proposed(q, key), placeholder=example, **draft)
        for key, (label, example) in FIELDS.items()
    ]
    points = dmc.Textarea(
        id="cert-points", label=POINTS, minRows=3, autosize=True, size="sm",
        placeholder="15.08 15.00 0.06\n25.02 25.00 0.06", **draft,
    )  # fmt: skip
    form = html.Div(
        [
            choice("cert-channel", "Channel", channels, bare, wide=True),
            choice("cert-kind", "Certificate", KINDS, ENTERED, wide=True),
            *fields,
            slot(points, "wide"),
            html.Div(
                dcc.Upload("XML file: choose or drop", id="cert-file", className="drop", accept=".xml"),
                className="slot wide",
            ),
            field("cert-why", REASON, "", placeholder="calibration of March", **draft),
            button("cert-look", "Show the effect"),
            html.Div(id="cert-effect", className="break", role="status"),
        ],
        className="form",
    )
    return [
        card(
            "Enter a certificate",
            behind("Enter the data or drop an XML file", form),
            aside="a second person approves it",
        )
    ]


def _proposed(q: Queries, key: str) -> str:
    return field_text(q.now_ns(), q.room.timezone)[:10] if key == "valid" else ""


def texts_with(
    q: Queries, channel: str, kind: str, values: Mapping[str, str], document: bytes
) -> dict[str, str]:
    """The files in force with one further certificate; Refused says what to enter."""
    about = q.setup.channels.get(channel)
    if about is None:
        raise Refused("Channel: choose one of the list.")
    probe = q.setup.probes[about.probe]
    spans = about.probe_span
    drafted = ChannelDraft(
        about.probe, channel.rpartition(".")[2], about.quantity, about.unit, *spans, about.resolution
    )
    answers = {f"{key}.{channel}": value for key, value in values.items()}
    draft = Draft({**answers, f"certificate.{channel}": kind, "serial": probe.serial})
    versions = q.source.keeping.versions()
    with tempfile.TemporaryDirectory(prefix="stillroom-certificate-") as folder:
        if kind == DOCUMENT:
            if not document:
                raise Refused("XML file: choose or drop the certificate.")
            path = Path(folder) / "certificate.xml"
            path.write_bytes(document)
            draft = draft.with_values({f"document.{channel}": str(path)})
        check_channel(draft, drafted)
        new = channel_texts(draft, drafted, _stem(versions[-1].texts, channel, values.get("number", "")))
    return with_certificates(versions[-1].texts, new)


def _stem(texts: Mapping[str, str], channel: str, number: str) -> str:
    """A name for the files that none has yet."""
    stem = key_of(f"{number}-{channel.rpartition('.')[2]}" if number else channel)
    taken = {re.sub(r"^certificates/|\.(toml|xml)$", "", name) for name in texts}
    return next(name for n in range(1, 1000) if (name := stem if n == 1 else f"{stem}-{n}") not in taken)


def new_parts(q: Queries, channel: str, texts: Mapping[str, str]) -> list[Component]:
    """The certificate as it would be applied, and the newest reading by it."""
    setup = load_texts(texts).setup
    before = {c.number for c in q.setup.certificates_of(channel)}
    new = next((c for c in setup.certificates_of(channel) if c.number not in before), None)
    if new is None:
        raise Refused("Number: this channel has a certificate of that number already.")
    return [_points(q, new), html.P(_newest(q, channel, setup), className="next-step")]


def _points(q: Queries, new: Certificate) -> Component:
    unit = q.setup.channels[new.channel].unit
    rows = [
        [point(i, unit), point(i + c, unit), signed_figure(-c, unit), plain_difference(u, unit)]
        for i, c, u in zip(new.indications, new.corrections, new.U, strict=True)
    ]
    head = ["indication", "reference", "error", f"U (k = {new.k:g})"]
    return table(
        head, rows, f"{new.number}: compare with the paper, above all the sign", figures=(0, 1, 2, 3)
    )


def _newest(q: Queries, channel: str, setup: Setup) -> str:
    """The newest reading, as it is now and by the new certificate."""
    row = q.source.newest().get(channel)
    if row is None:
        return "No reading of this channel yet."
    if row.value is None:
        return "The newest reading is in the archive, which cannot be reached just now."
    about = setup.channels[channel]

    def by(which: Setup) -> str:
        papers = which.certificates_of(channel)
        corrected = correct_readings(about, papers, np.asarray([q.now_ns()]), np.asarray([float(row.value)]))  # type: ignore[arg-type]
        return figure(float(corrected.value[0]), quantity(about.quantity).unit, float(corrected.U[0]))

    return f"Newest reading {by(q.setup)}; by this certificate {by(setup)}."


def document_bytes(contents: str | None) -> bytes:
    """What a browser sent of a chosen file, a data address in base64; nothing where none was chosen."""
    try:
        return base64.b64decode((contents or "").partition(",")[2], validate=True)
    except (binascii.Error, ValueError):
        raise Refused("XML file: the upload is incomplete. Choose the file again.") from None


def register(app: Dash, q: Queries) -> None:
    """The effect, then the proposal: by an account, never by a name from the browser."""
    fields = [
        State("cert-channel", "value"),
        State("cert-kind", "value"),
        State("cert-file", "contents"),
        State("cert-points", "value"),
        *(State(f"cert-{key}", "value") for key in FIELDS),
    ]

    def texts_of(entries: Sequence[str]) -> dict[str, str]:
        channel, kind, contents, points, *more = entries
        values = {key: value or "" for key, value in zip(FIELDS, more, strict=True)}
        return texts_with(q, channel, kind, {**values, "points": points or ""}, document_bytes(contents))

    in_browser: Any = app.clientside_callback  # without type information
    in_browser(
        ClientsideFunction("stillroom", "named"),
        Output("cert-file", "className"),
        Input("cert-channel", "value"),
        State("cert-file", "id"),
    )

    @app.callback(Output("cert-file", "children"), Input("cert-file", "filename"), prevent_initial_call=True)
    @needs(Act.PROPOSE)
    def chosen(name: str | None) -> str:
        return name or "XML file: choose or drop"

    def also(entries: Sequence[str], texts: Mapping[str, str]) -> list[Component]:
        return new_parts(q, entries[0], texts)

    register_proposal(app, q, "cert", fields, texts_of, also=also)
