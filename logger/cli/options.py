"""Options that many commands share, each explained once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

DEFAULT_DATA = Path("stillroom-data")
DEFAULT_CONFIG = Path("config")

Data = Annotated[
    Path, typer.Option("--data", metavar="DIR", help="Data folder: readings, journal, verdicts, records.")
]
Config = Annotated[
    Path | None,
    typer.Option(
        "--config",
        metavar="DIR",
        help="Configuration folder. Without it, the setup in force in the data folder, else ./config.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Answer in JSON, for other programs.")]
Zone = Annotated[str, typer.Option("--zone", metavar="ZONE", help="Key of the zone, as in room.toml.")]
AnyZone = Annotated[str | None, typer.Option("--zone", metavar="ZONE", help="Only this zone.")]
From = Annotated[
    str,
    typer.Option(
        "--from",
        metavar="TIME",
        help="Start: 2026-10-19T08:30:00Z, 2026-10-19T10:30+02:00, the room's own time 2026-10-19T10:30, "
        "or a day 2026-10-19 (its start).",
    ),
]
To = Annotated[
    str, typer.Option("--to", metavar="TIME", help="End, not itself included; written like --from.")
]
AnyFrom = Annotated[str | None, typer.Option("--from", metavar="TIME", help="Start; default: of the record.")]
AnyTo = Annotated[str | None, typer.Option("--to", metavar="TIME", help="End; default: of the record.")]
Who = Annotated[str, typer.Option("--who", metavar="NAME", help="Who does this; default: your login name.")]
Temperatures = Annotated[
    Literal["degC", "degF"],
    typer.Option("--unit", help="Unit of printed temperatures and differences; it changes no verdict."),
]
Yes = Annotated[bool, typer.Option("--yes", help="Go ahead although the change makes something worse.")]
Port = Annotated[int, typer.Option("--port", metavar="N", min=1, max=65535, help="Port on 127.0.0.1.")]


def person(who: str) -> str:
    """The name to write into the journal."""
    import getpass

    from ..model.roles import refuse_unseen

    return refuse_unseen(who.strip(), "name") or getpass.getuser()
