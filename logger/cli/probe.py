"""Probes: the register with certificates and their due days; a new probe tried; acts on the register."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..instants import parse
from ..model.figures import number_of
from .command_list import command_group
from .context import open_session
from .labels import labels
from .options import DEFAULT_DATA, Config, Data, Json
from .output import answer, table
from .probe_place import commands
from .probe_register import register
from .probe_try import try_

if TYPE_CHECKING:
    from ..core.calibration.status import RegisterEntry
    from ..model import Certificate, Setup

probe = command_group("Probes: register, certificates, due days.")


def add_to(app: typer.Typer) -> None:
    commands(probe)
    probe.command("try", short_help="What a new probe says, and how to write it.")(try_)
    probe.command("register", short_help="The register as PDF or CSV.")(register)
    probe.command("labels", short_help="Labels with a code for a phone.")(labels)
    app.add_typer(probe, name="probe")


@probe.callback()
def group() -> None:
    """Probes: register, certificates, due days."""


@probe.command("list")
def list_channels(
    *,
    at: Annotated[
        str | None, typer.Option("--at", metavar="TIME", help="As it was at that time; default: now.")
    ] = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The register: every channel with position, certificate, U, due day, and what is missing.

    Below it the correction and U of each channel with their parts, so that both can be worked out again.
    Status: confirmed, due (within 60 days), overdue, withdrawn, none.

    \b
    Example:
      stillroom probe list --at 2026-10-22
    """
    from ..core.calibration.status import register as confirmations
    from ..core.calibration.trace import register_trace

    with open_session(data, config, read_only=True) as session:
        at_ns = session.now_ns if at is None else parse(at, session.zone_info, "--at")
        entries = confirmations(session.setup, at_ns)
        instruments = {e.confirmation.channel: _instrument(session.setup, e) for e in entries}
        traces = {
            e.confirmation.channel: register_trace(session.setup, e.confirmation.channel, at_ns)
            for e in entries
        }
    rows = [
        {**_channel_dict(e), **instruments[e.confirmation.channel]}
        | {"worked_out": traces[e.confirmation.channel]}
        for e in entries
    ]
    short = sum(not row["complete"] for row in rows)
    first = (
        f"{number_of(len(rows), 'channel')}, {short} of them not complete." if rows else "There is no probe."
    )
    heads = ("channel", "serial", "position", "certificate", "U", "due", "status", "days", "")
    lines = [f"  {channel}: {trace['text']}" for channel, trace in traces.items() if trace]
    shown = [first, "", *table(heads, [_row(row) for row in rows]), "", *lines] if rows else [first]
    answer(rows, as_json, shown)


def _instrument(setup: Setup, entry: RegisterEntry) -> dict[str, Any]:
    """What the instrument itself is, in its own unit."""
    channel = setup.channels[entry.confirmation.channel]
    return {
        "firmware": setup.probes[entry.probe].firmware or None,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "range": list(channel.probe_span),
        "resolution": channel.resolution,
    }


def _channel_dict(entry: RegisterEntry) -> dict[str, Any]:
    confirmation, place = entry.confirmation, entry.position
    return {
        "probe": entry.probe,
        "serial": entry.serial,
        "description": entry.description,
        "channel": confirmation.channel,
        "zone": place.zone if place else None,
        "position": place.name if place else None,
        "medium": place.medium if place else None,
        "certificate": _certificate(confirmation.certificate),
        "status": confirmation.status,
        "due": confirmation.due.isoformat() if confirmation.due else None,
        "days_left": confirmation.days_left,
        "complete": not entry.missing,
        "missing": list(entry.missing),
    }


def _certificate(paper: Certificate | None) -> dict[str, Any] | None:
    if paper is None:
        return None
    errors = [round(-c, 9) for c in paper.corrections]
    return {
        "number": paper.number,
        "issuer": paper.issuer,
        "accreditation": paper.accreditation,
        "calibrated_on": paper.calibrated_on,
        "indications": list(paper.indications),
        "errors": errors,
        "U": list(paper.U),
        "k": paper.k,
        "range": list(paper.range),
    }


def _row(row: dict[str, Any]) -> tuple[Any, ...]:
    paper = row["certificate"]
    U = "" if paper is None else f"{max(paper['U']):g} (k = {paper['k']:g})"
    left = "" if row["days_left"] is None else str(row["days_left"])
    state = "complete" if row["complete"] else "missing: " + ", ".join(row["missing"])
    place = row["position"] or "nowhere"
    number = paper["number"] if paper else ""
    return row["channel"], row["serial"], place, number, U, row["due"], row["status"], left, state
