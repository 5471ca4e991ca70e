"""Labels for probes, and the notice for the door."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from ..model.figures import number_of
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer, table

HostName = Annotated[
    str,
    typer.Option("--name", metavar="HOST", help="Host of the pages, for the codes; as in `serve --name`."),
]


def labels(
    names: Annotated[
        list[str] | None, typer.Argument(metavar="[PROBE|POSITION]", help="Default: all with a position.")
    ] = None,
    *,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="PDF to write.")] = None,
    name: HostName = "",
    sheet: Annotated[
        str, typer.Option("--sheet", metavar="3x8|2x7|2x5|62x29", help="Labels on A4, or one a page in mm.")
    ] = "3x8",
    stale: Annotated[
        bool,
        typer.Option("--stale", help="List labels whose due day changed since they were printed."),
    ] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Labels with key, place, serial number, due day, and a code for a phone.

    With --name the code leads to the page of the position: whether the room is fit, first. Print at 100 %,
    so that a code is at least 20 mm wide.

    \b
    Examples:
      stillroom probe labels --out labels.pdf --name room-east.example
      stillroom probe labels P1 P2 --sheet 62x29 --out two.pdf
      stillroom probe labels --stale
    """
    from ..handouts import labels as making
    from ..store.files import write_durably

    if (out is None) != stale:
        raise Refused("Expected one of --out with a file and --stale.")
    with open_session(data, config) as session:
        if out is None:
            rows = making.stale(session.store, session.setup, session.now_ns)
            heads = ("probe", "on the label", "now")
            payload = [dict(zip(("probe", "printed", "now"), row, strict=True)) for row in rows]
            line = f"{number_of(len(rows), 'label')} to print anew."
            answer(payload, as_json, [line, *(["", *table(heads, rows)] if rows else [])])
            return
        chosen = making.chosen_labels(session.setup, names or [], session.now_ns)
        content = making.labels_pdf(
            chosen, session.setup, name, session.now_ns, sheet, simulated=session.store.simulated
        )
        write_durably(out, content)
        making.note_printed(session.store, chosen, person(who), session.now_ns)
    payload_out = {"file": str(out), "labels": [label.probe for label in chosen]}
    answer(payload_out, as_json, [f"{number_of(len(chosen), 'label')} in {out}."])


def notice(
    zones: Annotated[list[str] | None, typer.Argument(metavar="[ZONE]", help="Default: every zone.")] = None,
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="PDF to write.")],
    name: HostName = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """The notice for the door (A4): all limits in force by activity, whom to call, a code for a phone.

    \b
    Example:
      stillroom limits notice --out door.pdf --name room-east.example
    """
    from ..handouts.door_notice import door_notice
    from ..store.files import write_durably

    with open_session(data, config, read_only=True) as session:
        keys = zones or [zone.key for zone in session.setup.zones_now()]
        for key in keys:
            session.setup.zone(key)
        content = door_notice(session.config, keys, name, session.now_ns, simulated=session.store.simulated)
    write_durably(out, content)
    typer.echo(f"{number_of(len(keys), 'page')} in {out}.")
