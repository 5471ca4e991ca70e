"""Where the parts of a record lie: `store show`, `store move`."""

from __future__ import annotations

import typer

from .options import DEFAULT_DATA, Data, Json
from .output import answer

store_app = typer.Typer(help="Where the parts of a record lie, and moving them.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(store_app, name="store", no_args_is_help=True)


@store_app.command("show")
def show(*, data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Say where the parts of the record of a data folder lie, without asking any server.

    \b
    Example:
      stillroom store show --data /var/lib/stillroom
    """
    from .context import refuse_no_record

    refuse_no_record(data)
    from ..store.store_file import hot_table

    hot = hot_table(data)
    payload = {"hot": hot.place if hot else str(data.absolute() / "stillroom.db")}
    answer(payload, as_json, [f"readings of the last weeks, journal, setups, acts: {payload['hot']}"])
