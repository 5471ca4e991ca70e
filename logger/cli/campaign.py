"""Mapping campaigns: positions, phases, closing."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..instants import parse
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import Session, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who, Zone
from .output import answer as print_answer

if TYPE_CHECKING:
    from ..acts.campaigns import CampaignPosition, PlannedCampaign

_FRONT = """Mapping campaigns: where in a zone it is too warm, planned, run and closed in the record.

Plan positions, put all probes side by side, put each at its position and begin a state of the room, put them
side by side again, close. Cautions: use no ladder or lifting gear without the training for it, keep cables
out of the machine's travel, never reach over a safety barrier; local rules come first."""

campaign = command_group(_FRONT, name="campaign", rich_markup_mode=None)

Key = Annotated[str, typer.Argument(metavar="KEY", help="Key of the campaign, such as map-2026.")]
Start = Annotated[
    str | None, typer.Option("--from", metavar="TIME", help="When it began; default: now, and it goes on.")
]
End = Annotated[str | None, typer.Option("--to", metavar="TIME", help="When it ended; left out: it goes on.")]
COLUMNS = ("position", "x_m", "y_m", "z_m", "channel")


def add_to(app: typer.Typer) -> None:
    app.add_typer(campaign, short_help="Mapping campaigns: positions, phases, closing.")


@campaign.command(short_help="Plan a campaign from a table of positions.")
def plan(
    key: Key,
    *,
    zone: Zone,
    name: Annotated[str, typer.Option("--name", metavar="TEXT", help="As the report prints it.")],
    positions: Annotated[
        Path,
        typer.Option(
            "--positions",
            metavar="FILE",
            help="CSV: position, x_m, y_m, z_m, channel, and medium if not air.",
        ),
    ],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Plan a campaign: each line of the table is a position with the channel to be placed there.

    At least 9 positions at three heights are common practice for a statement on the volume: its corners, its
    centre, and where parts wait.

    \b
    Example:
      stillroom campaign plan map-2026 --zone machine-bay --name "Working volume" --positions positions.csv
    """
    from ..acts.campaigns import PlannedCampaign, plan_campaign

    with open_session(data, config) as session:
        person = authorised(session.store, who, Act.STUDY)
        planned = PlannedCampaign(key, zone, name, tuple(_positions(positions)), person, session.now_ns)
        campaign = plan_campaign(session.store, session.setup, planned, person)
    typer.echo(f"Campaign {key}: {len(campaign.positions)} positions planned. Next: {campaign.next_step}.")


@campaign.command(short_help="Begin a phase: before, after, or a state of the room.")
def begin(
    key: Key,
    state: Annotated[
        str, typer.Argument(metavar="STATE", help="before, after, or a state: empty, in use, lights on.")
    ],
    *,
    start: Start = None,
    end: End = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Begin a phase, or enter one that is over: "before" and "after" are all probes side by side.

    \b
    Example:
      stillroom campaign begin map-2026 before --from 2026-10-12T08:00 --to 2026-10-12T10:00
      stillroom campaign begin map-2026 "in use"
    """
    from ..acts.campaigns import AFTER, BEFORE, add_phase

    with open_session(data, config) as session:
        person = authorised(session.store, who, Act.STUDY)
        if end is not None and start is None:
            raise Refused("--to: enter --from as well, when the phase began. Nothing was changed.")
        from_ns = session.now_ns if start is None else parse(start, session.zone_info, "--from")
        to_ns = None if end is None else parse(end, session.zone_info, "--to")
        name = {"before": BEFORE, "after": AFTER}.get(state, state)
        campaign = add_phase(session.store, key, name, (from_ns, to_ns), person)
    typer.echo(f"Campaign {key}: {name}. Next: {campaign.next_step}.")


@campaign.command(short_help="End the phase that goes on.")
def end(
    key: Key,
    *,
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="When; default: now.")] = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """End the phase that goes on.

    \b
    Example:
      stillroom campaign end map-2026
    """
    from ..acts.campaigns import end_phase

    with open_session(data, config) as session:
        person = authorised(session.store, who, Act.STUDY)
        at_ns = session.now_ns if at is None else parse(at, session.zone_info, "--at")
        campaign = end_phase(session.store, key, at_ns, person)
    typer.echo(f"Campaign {key}: ended. Next: {campaign.next_step}.")


@campaign.command("take-back", short_help="Take back a phase that was entered wrongly.")
def take_back(
    key: Key,
    state: Annotated[str, typer.Argument(metavar="STATE", help="before, after, or the state.")],
    *,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason.")],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Take back a phase. Its entry stays in the journal, with the reason.

    \b
    Example:
      stillroom campaign take-back map-2026 before --why "probe P4 lay apart"
    """
    from ..acts.campaigns import AFTER, BEFORE
    from ..acts.campaigns import take_back as leave_out

    with open_session(data, config) as session:
        person = authorised(session.store, who, Act.STUDY)
        name = {"before": BEFORE, "after": AFTER}.get(state, state)
        campaign = leave_out(session.store, key, name, person, why)
    typer.echo(f"Campaign {key}: {name} taken back. Next: {campaign.next_step}.")


@campaign.command(short_help="Close a campaign with its answers.")
def close(
    key: Key,
    *,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="What is concluded.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Close a campaign: its states are mapped, and the digest of the answer goes into the journal.

    \b
    Example:
      stillroom campaign close map-2026 --why "keep the master away from the door"
    """
    from ..studies.campaign_close import close_with_answer

    with open_session(data, config) as session:
        person = authorised(session.store, who, Act.STUDY)
        campaign, study = close_with_answer(session.verdicts(), key, person, why, session.now_ns)
    typer.echo(f"Campaign {key} is closed, closure {campaign.closed['closure']}. {study.answer.headline}")


@campaign.command("list", short_help="Campaigns, and what comes next in each.")
def list_campaigns(*, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Every campaign with its zone, positions, phases and what comes next.

    \b
    Example:
      stillroom campaign list
    """
    from ..acts.campaigns import campaigns

    with open_session(data, config, read_only=True) as session:
        planned = campaigns(session.store)
        rows = [campaign_dict(item) for item in planned]
        lines = [line for item in planned for line in _lines(session, item)] or ["No campaign yet."]
    print_answer({"campaigns": rows}, as_json, lines)


def campaign_dict(item: PlannedCampaign) -> dict[str, Any]:
    """A campaign as plain data; times in UTC."""
    from ..instants import rfc3339

    return {
        "key": item.key,
        "zone": item.zone,
        "name": item.name,
        "planned_by": item.who,
        "positions": [dict(vars(p)) for p in item.positions],
        "phases": [
            {"name": p.name, "from": rfc3339(p.from_ns), "to": None if p.to_ns is None else rfc3339(p.to_ns)}
            for p in item.phases
        ],
        "next": item.next_step,
        "closed": dict(item.closed) or None,
    }


def _lines(session: Session, item: PlannedCampaign) -> list[str]:
    from ..instants import wall_span

    phases = [
        f"  {p.name}: {wall_span(p.from_ns, p.to_ns or session.now_ns, session.zone_info)}"
        + (", goes on" if p.to_ns is None else "")
        for p in item.phases
    ]
    head = f"{item.key}: {item.name}, {item.zone}, {len(item.positions)} positions, planned by {item.who}"
    return [head, *phases, f"  next: {item.next_step}"]


def _positions(file: Path) -> list[CampaignPosition]:
    """Positions of a CSV file; Refused with the line where one cannot be read."""
    from ..acts.campaigns import CampaignPosition

    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"--positions {file}: expected a CSV file; {error}. Nothing was changed.") from None
    rows = csv.DictReader(text.splitlines(), delimiter=";" if ";" in text.partition("\n")[0] else ",")
    missing = [name for name in COLUMNS if name not in (rows.fieldnames or ())]
    if missing:
        raise Refused(
            f"--positions {file}: expected the columns {', '.join(COLUMNS)} in its first line; "
            f"{', '.join(missing)} missing. Nothing was changed."
        )
    positions = []
    for row in rows:
        try:
            x, y, z = (float(str(row[name]).replace(",", ".")) for name in COLUMNS[1:4])
        except ValueError:
            raise Refused(
                f"--positions {file}, line {rows.line_num}: expected three numbers in m for x_m, y_m, z_m; "
                f"found {row['x_m']!r}, {row['y_m']!r}, {row['z_m']!r}. Nothing was changed."
            ) from None
        medium = (row.get("medium") or "air").strip()
        positions.append(CampaignPosition(row["position"].strip(), x, y, z, row["channel"].strip(), medium))
    return positions
