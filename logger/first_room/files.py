"""Four short files from the answers: room, probes, limits, alarms; certificates and a profile beside them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

from ..errors import Refused
from ..imports.describing import Description
from ..imports.drafting import day_before, key_of
from ..imports.profile import Column, Profile
from ..imports.writing import profile_text
from .certificates import certificate_texts
from .draft import LIVE, ChannelDraft, Draft, number, toml
from .questions import QUESTIONS, size_of, xyz_of
from .trial import line_of, pattern_for

WIRE_S = 1.0  # time-out of a probe that is asked


def texts_of(draft: Draft, today: date) -> dict[str, str]:
    """File name -> text; Refused by the first answer that cannot be used. `today` is local to the room."""
    for place, question in enumerate(QUESTIONS, 1):
        try:
            question.check(draft)
        except Refused as refused:
            raise Refused(f"Question {place}, {question.title}: {refused}") from None
    since = today
    texts = {}
    if (described := draft.described) is not None:
        since = today if described.first_ns is None else day_before(described.first_ns)
        texts[f"profiles/{key_of(described.profile.name)}.toml"] = profile_text(profile_of(draft, described))
    return {
        "room.toml": _room(draft),
        "probes.toml": _probes(draft, since),
        "limits.toml": _limits(draft, since),
        "alarms.toml": _alarms(draft),
        **certificate_texts(draft),
        **texts,
    }


def zone_key(draft: Draft) -> str:
    """The key of the zone, as commands name it."""
    return key_of(draft.text("zone")).lower()


def profile_of(draft: Draft, described: Description) -> Profile:
    """How the file is read, with the answers to what it left open."""
    columns = [_column(c.column.guess.column, c) for c in draft.channels if c.column]
    profile = replace(described.profile, columns=tuple(columns))
    if zone := draft.text("file.zone"):
        profile = replace(profile, zone=zone)
    if order := draft.text("file.order"):
        profile = replace(profile, order=order)  # type: ignore[arg-type]
    if decimal := draft.text("file.decimal"):
        profile = replace(profile, decimal=decimal)
    return profile


def _column(column: Column, channel: ChannelDraft) -> Column:
    return replace(column, channel=channel.key, unit=None if column.unit_in else channel.unit)


def _lines(rows: Iterator[str]) -> str:
    return "\n".join(rows) + "\n"


def _room(draft: Draft) -> str:
    size = size_of(draft)
    return _lines(_room_lines(draft, size))


def _room_lines(draft: Draft, size: list[float]) -> Iterator[str]:
    yield "[room]"
    yield f"key = {toml(key_of(draft.text('room')).lower())}"
    yield f"name = {toml(draft.text('room'))}"
    yield f"site = {toml(draft.text('site'))}"
    yield f"timezone = {toml(draft.text('timezone'))}"
    yield f"size_m = {size}"
    yield f"custodian = {toml(draft.text('custodian'))}"
    if draft.text("alone") == "yes":
        yield "single_person = true   # one person may approve own changes; every record says so"
    yield ""
    yield f"[zones.{zone_key(draft)}]"
    yield f"name = {toml(draft.text('zone'))}"
    yield f"outline_m = [0.0, 0.0, {size[0]}, {size[1]}]   # the whole room"
    settling_s = round(number(draft, "settling_h", "Hours that machine and parts settle", "4") * 3600)
    yield f"settling_s = {settling_s}"
    if 0 < settling_s < 3600:
        yield f"body_gap_s = {settling_s}"
    for n, probe in enumerate(draft.probes):
        yield ""
        yield f"[positions.at-{probe}]"
        yield f"name = {toml(draft.text(f'position.{probe}'))}"
        yield f"zone = {toml(zone_key(draft))}"
        yield f"medium = {toml(draft.text(f'medium.{probe}'))}"
        if draft.text(f"xyz.{probe}"):
            yield f"xyz_m = {xyz_of(draft, probe)}"
        else:
            x, y = ((n % 10 + 0.5) / 10 * size[0], (n // 10 % 10 + 0.5) / 10 * size[1])
            yield f"xyz_m = [{x:.2f}, {y:.2f}, {min(1.0, size[2]):.2f}]   # EDIT: a placeholder in a row"


def _probes(draft: Draft, since: date) -> str:
    return _lines(_probe_lines(draft, since))


def _probe_lines(draft: Draft, since: date) -> Iterator[str]:
    described = draft.described
    step_s = (
        number(draft, "interval", "Seconds between readings", "10") if described is None else described.step_s
    )
    yield f"sampling_interval_s = {step_s or 60.0}"
    for probe in draft.probes:
        serial = draft.text("serial") if described is None else probe
        yield ""
        yield f"[probes.{probe}]"
        yield f"serial = {toml(serial)}"
        yield f"description = {toml(draft.text(f'position.{probe}'))}"
        for channel in (c for c in draft.channels if c.probe == probe):
            yield ""
            yield f"[probes.{probe}.channels.{channel.name}]"
            yield f"quantity = {toml(channel.quantity)}"
            yield f"unit = {toml(channel.unit)}"
            yield f"resolution = {channel.resolution}"
            yield f"probe_span = [{channel.low}, {channel.high}]"
    if described is None:
        yield from _connection_lines(draft)
    for probe in draft.probes:
        yield ""
        yield "[[placements]]"
        yield f"probe = {toml(probe)}"
        yield f"position = {toml(f'at-{probe}')}"
        yield f"from = {since}"


def _connection_lines(draft: Draft) -> Iterator[str]:
    line = line_of(draft)
    values = ", ".join(f"{channel.value} = {toml(channel.name)}" for channel in draft.channels)
    yield ""
    yield f"[probes.{LIVE}.connection]"
    yield f"url = {toml(line.url)}"
    yield f'mode = "{line.mode}"'
    if line.query:
        yield f"query = {toml(line.query)}"
    yield f"pattern = {toml(pattern_for(draft))}"
    yield f"values = {{ {values} }}"
    yield f"baudrate = {line.baudrate}"
    yield f"timeout_s = {min(WIRE_S, number(draft, 'interval', 'Seconds between readings', '10') / 2)}"


def _limits(draft: Draft, since: date) -> str:
    return _lines(_limit_lines(draft, since))


def _limit_lines(draft: Draft, since: date) -> Iterator[str]:
    zone, basis = zone_key(draft), toml(draft.text("basis"))
    temperatures = {c.probe for c in draft.channels if c.quantity == "temperature"}
    media = list(dict.fromkeys(draft.text(f"medium.{p}") for p in draft.probes if p in temperatures))
    every = ", ".join(toml(medium) for medium in (["air"] if "air" in media else media))
    yield f"[rules.{zone}.temperature]"
    yield f"lower_degC = {number(draft, 'lower', 'Lower limit', '19.5')}"
    yield f"upper_degC = {number(draft, 'upper', 'Upper limit', '20.5')}"
    yield f"media = [{every}]"
    yield f"valid_from = {since}"
    yield f"basis = {basis}"
    if draft.text("span"):
        yield ""
        yield f"[rules.{zone}.span-1h]"
        yield f"span_1h_K = {number(draft, 'span', 'Largest change within 1 h', '0.5')}"
        yield f"media = [{every}]"
        yield f"valid_from = {since}"
        yield f"basis = {basis}"


def _alarms(draft: Draft) -> str:
    return _lines(_alarm_lines(draft))


def _alarm_lines(draft: Draft) -> Iterator[str]:
    zone, routes = zone_key(draft), '["screen"]'
    if mail := draft.text("mail"):
        routes = '["screen", "custodian"]'
        yield "[mail.custodian]"
        yield f"host = {toml(draft.text('mail.host'))}"
        yield f"port = {round(number(draft, 'mail.port', 'Port of the mail server', '587'))}"
        yield f"sender = {toml(mail)}"
        yield f"recipients = [{toml(mail)}]"
        yield f"tls = {toml(draft.text('mail.tls') or 'starttls')}"
        yield ""
    settling = draft.text("settling_h").replace(",", ".")
    consequence = (
        f"Lengths measured in {draft.text('zone')} may be wrong; machine and parts settle for {settling} h."
    )
    yield f"[alarms.{zone}-temperature]"
    yield f"rule = {toml(f'{zone}.temperature')}"
    yield 'priority = "high"'
    yield f"consequence = {toml(consequence)}"
    yield f"action = {toml(draft.text('action'))}"
    yield "deadband_K = 0.05"
    yield f"routes = {routes}"
