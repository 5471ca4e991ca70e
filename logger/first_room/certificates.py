"""The question about certificates: none yet, entered from the paper, or a Digital Calibration Certificate."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..config.outside import certificate_of
from ..errors import Refused
from ..formats.dcc import LARGEST_BYTES, Dcc, text_of
from ..units import QUANTITIES
from .draft import ChannelDraft, Draft, Field, day, needed, number, numbers, toml

NONE, ENTERED, DOCUMENT = "none", "enter", "file"
CHOICES = (
    (NONE, "none yet: values are shown; nothing is proven, no limit alarms"),
    (ENTERED, "enter it from the paper"),
    (DOCUMENT, "a Digital Calibration Certificate (XML)"),
)


@dataclass(frozen=True)
class Point:
    """A calibration point in the channel's unit."""

    indication: float
    reference: float
    U: float


def certificate_fields(draft: Draft) -> tuple[Field, ...]:
    """For each channel of temperature or humidity whether there is a certificate, and what it states."""
    return tuple(field for channel in _calibrated(draft) for field in _fields_of(draft, channel))


def _calibrated(draft: Draft) -> list[ChannelDraft]:
    """Temperatures first: the limits are theirs."""
    named = [c for c in draft.channels if c.quantity in ("temperature", "relative_humidity")]
    return sorted(named, key=lambda c: c.quantity != "temperature")


def _fields_of(draft: Draft, channel: ChannelDraft) -> Iterator[Field]:
    key, unit = channel.key, QUANTITIES[channel.quantity].difference_unit
    yield Field(f"certificate.{key}", f"Certificate of {channel.words}", NONE, options=CHOICES)
    kind = draft.text(f"certificate.{key}")
    if kind == DOCUMENT:
        yield Field(f"document.{key}", "File", hint="ending in .xml", kind="file")
        if (readable := _readable(draft, channel)) is not None and readable.due_on is None:
            yield Field(f"due.{key}", "Due on", hint="as your schedule has it: 2027-03-02", kind="date")
    if kind == ENTERED:
        yield Field(f"number.{key}", "Number")
        yield Field(f"issuer.{key}", "Issued by")
        yield Field(f"calibrated.{key}", "Calibrated on", hint="for example 2026-03-02", kind="date")
        yield Field(f"due.{key}", "Due on", hint="for example 2027-03-02", kind="date")
        yield Field(
            f"points.{key}",
            f"Points: indication, reference, U (k = 2) in {channel.unit_text}",
            hint="three numbers a point, for example 15.08 15.00 0.06; 25.02 25.00 0.06",
            kind="long",
        )
    if kind in (ENTERED, DOCUMENT):
        yield Field(
            f"drift.{key}",
            f"Largest drift until it is due, ± {unit}",
            hint="from earlier calibrations or the maker's data; 0 where U includes it",
        )


def check_certificates(draft: Draft) -> None:
    """Refused with what to enter, channel by channel."""
    for channel in _calibrated(draft):
        check_channel(draft, channel)


def check_channel(draft: Draft, channel: ChannelDraft) -> None:
    """Refused with what to enter, for the certificate of one channel."""
    kind = draft.text(f"certificate.{channel.key}") or NONE
    if kind == ENTERED:
        _check_entered(draft, channel)
    elif kind == DOCUMENT:
        table_number(document_of(draft, channel), channel)
        if document_of(draft, channel).due_on is None:
            day(draft, f"due.{channel.key}", "Due on")
    if kind != NONE and number(draft, f"drift.{channel.key}", "Largest drift", "0.05") < 0:
        raise Refused("Largest drift: enter 0 or more.")
    if draft.text(f"valid.{channel.key}"):
        day(draft, f"valid.{channel.key}", "In use from")


def _check_entered(draft: Draft, channel: ChannelDraft) -> None:
    key = channel.key
    needed(draft, f"number.{key}", "Number of the certificate", "the number on the paper")
    needed(draft, f"issuer.{key}", "Issued by", "the laboratory")
    calibrated, due = day(draft, f"calibrated.{key}", "Calibrated on"), day(draft, f"due.{key}", "Due on")
    if calibrated >= due:
        raise Refused(f"Due on: enter a day after {calibrated}. You entered “{due}”.")
    points_of(draft, key)


def points_of(draft: Draft, key: str) -> list[Point]:
    """Points as entered, ascending; at least two with different indications, so that there is a range."""
    label, example = "Points", "15.08 15.00 0.06; 25.02 25.00 0.06"
    rows = [row for row in re.split(r"[;\n]+", draft.text(f"points.{key}")) if row.strip()]
    points = []
    for row in rows:
        three = numbers(Draft({"": row}), "", label, example)
        if len(three) != 3 or three[2] <= 0:
            raise Refused(
                f"{label}: enter indication, reference and U such as {example}. You entered “{row}”."
            )
        points.append(Point(*three))
    if len({point.indication for point in points}) < 2:
        raise Refused(f"{label}: enter at least two, such as {example}; they are the range of use.")
    return sorted(points, key=lambda point: point.indication)


def document_of(draft: Draft, channel: ChannelDraft) -> Dcc:
    """The Digital Calibration Certificate that was named for a channel."""
    return certificate_of(_content(draft, channel), _name(draft, channel))


def _readable(draft: Draft, channel: ChannelDraft) -> Dcc | None:
    try:
        return document_of(draft, channel)
    except Refused:
        return None


def _name(draft: Draft, channel: ChannelDraft) -> str:
    return Path(needed(draft, f"document.{channel.key}", "File", "the name of the file")).name


def _content(draft: Draft, channel: ChannelDraft) -> bytes:
    path = Path(needed(draft, f"document.{channel.key}", "File", "the name of the file"))
    try:
        with path.open("rb") as stream:
            return stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise Refused(f"File: {path} cannot be read: {error.strerror or error}.") from None


def table_number(document: Dcc, channel: ChannelDraft) -> int:
    """The number of the table to use, from 1; Refused where none or several fit."""
    fits = [
        n
        for n, t in enumerate(document.tables, 1)
        if t.quantity == channel.quantity and t.taken != "as found"
    ]
    if len(fits) != 1:
        quantity = channel.quantity.replace("_", " ")
        raise Refused(
            f"The certificate has {len(fits)} tables of {quantity}; one is needed. `stillroom confirm FILE` "
            "shows them; choose “none yet” here and enter it afterwards."
        )
    return fits[0]


def certificate_texts(draft: Draft) -> dict[str, str]:
    """The files of certificates/, by their names; empty where there is none yet."""
    texts: dict[str, str] = {}
    for channel in _calibrated(draft):
        texts |= channel_texts(draft, channel, channel.key.replace(".", "-"))
    return {f"certificates/{name}": text for name, text in texts.items()}


def channel_texts(draft: Draft, channel: ChannelDraft, stem: str) -> dict[str, str]:
    """The files of one channel's certificate; `stem` is their name without what stands behind the dot."""
    kind = draft.text(f"certificate.{channel.key}")
    if kind == ENTERED:
        return {f"{stem}.toml": _entered_text(draft, channel)}
    if kind == DOCUMENT:
        document = text_of(_content(draft, channel))
        return {f"{stem}.xml": document, f"{stem}.toml": _document_text(draft, channel, f"{stem}.xml")}
    return {}


def _entered_text(draft: Draft, channel: ChannelDraft) -> str:
    key, points = channel.key, points_of(draft, channel.key)
    lines = [
        "# correction = reference - indication. Compare with the paper, above all the sign.",
        f"number = {toml(draft.text(f'number.{key}'))}",
        f"channel = {toml(key)}",
        f"serial = {toml(draft.text('serial') or channel.probe)}",
        f"issuer = {toml(draft.text(f'issuer.{key}'))}",
        f"calibrated_on = {draft.text(f'calibrated.{key}')}",
        f"valid_from = {draft.text(f'valid.{key}') or draft.text(f'calibrated.{key}')}",
        f"due_on = {draft.text(f'due.{key}')}",
        f"unit = {toml(channel.unit)}",
        "k = 2.0",
        f"range = [{points[0].indication}, {points[-1].indication}]   # as indicated",
        *_drift(draft, channel),
    ]
    for point in points:
        lines += ["", "[[points]]", f"indication = {point.indication}", f"reference = {point.reference}"]
        lines += [f"U = {point.U}"]
    return "\n".join(lines) + "\n"


def _document_text(draft: Draft, channel: ChannelDraft, file: str) -> str:
    document = document_of(draft, channel)
    lines = [
        f"dcc = {toml(file)}",
        f"sha256 = {toml(document.sha256)}",
        "",
        "[[use]]",
        f"channel = {toml(channel.key)}",
        f"valid_from = {draft.text(f'valid.{channel.key}') or document.calibrated_on}",
        f"table = {table_number(document, channel)}",
        *([] if document.due_on else [f"due_on = {draft.text(f'due.{channel.key}')}"]),
        *_drift(draft, channel),
    ]
    return "\n".join(lines) + "\n"


def _drift(draft: Draft, channel: ChannelDraft) -> list[str]:
    drift = number(draft, f"drift.{channel.key}", "Largest drift", "0.05")
    basis = draft.text(f"basis.{channel.key}") or "as entered at the first setup"
    return [f"drift = {drift}", f"drift_basis = {toml(basis)}"]


def certificate_summary(draft: Draft) -> str:
    """One line: the certificates that are there, and the temperatures without one."""
    parts = []
    for channel in _calibrated(draft):
        kind = draft.text(f"certificate.{channel.key}") or NONE
        if kind == ENTERED:
            parts.append(f"{draft.text(f'number.{channel.key}')}, due {draft.text(f'due.{channel.key}')}")
        elif kind == DOCUMENT:
            parts.append(f"{channel.words} by {Path(draft.text(f'document.{channel.key}')).name}")
        elif channel.quantity == "temperature":
            parts.append(f"{channel.words}: none yet, not shown")
    return "; ".join(parts)
