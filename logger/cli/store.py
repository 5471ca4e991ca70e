"""Where the parts of a record lie: `store show`, `store move`, `store archive`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import refuse_no_record
from .options import DEFAULT_DATA, Data, Json, Who
from .output import answer

store_app = command_group("Where the parts of a record lie, and moving them.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(store_app, name="store")


@store_app.command("show")
def show(*, data: Data = DEFAULT_DATA, as_json: Json = False) -> None:
    """Say where the parts of the record of a data folder lie, without asking any server.

    \b
    Example:
      stillroom store show --data /var/lib/stillroom
    """
    refuse_no_record(data)
    from ..store.store_file import archive_table, hot_table

    hot, archive = hot_table(data), archive_table(data)
    payload = {
        "hot": hot.place if hot else str(data.absolute() / "stillroom.db"),
        "archive": archive.at if archive else str(data.absolute() / "archive"),
    }
    lines = [
        f"readings of the last weeks, journal, setups, acts: {payload['hot']}",
        f"sealed readings: {payload['archive']}",
    ]
    answer(payload, as_json, lines)


@store_app.command("move")
def move(
    *,
    data: Data = DEFAULT_DATA,
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="WHERE",
            help="postgresql://USER@HOST/DATABASE, or `embedded`: back into the folder.",
        ),
    ],
    schema: Annotated[
        str,
        typer.Option("--schema", metavar="NAME", help="Schema of this room there; default: the room's key."),
    ] = "",
    password_env: Annotated[
        str, typer.Option("--password-env", metavar="NAME", help="Environment variable with the password.")
    ] = "",
    password_file: Annotated[
        str,
        typer.Option(
            "--password-file",
            metavar="FILE",
            help="File with the password, read for each new connection; instead of the variable.",
        ),
    ] = "",
    who: Who = "",
    as_json: Json = False,
) -> None:
    """Move readings, journal and acts to a database server, or back; the service must be stopped.

    The record is verified before, copied in one transaction, and verified there with the same head of the
    chain. Whatever interrupts it, one home is whole, and `stillroom store show` says which one holds.

    \b
    Examples:
      stillroom store move --to postgresql://hall_3@db.example/rooms --data /var/lib/stillroom
      stillroom store move --to embedded --data /var/lib/stillroom
    """
    from ..store import Store
    from ..store.exchange.relocation import to_embedded, to_server
    from ..store.store_file import hot_table_of

    refuse_no_record(data)
    with Store.open(data) as store:
        name = authorised(store, who, Act.BACK_UP)
        schema = schema or store.setups.room_key()

    def say(step: str) -> None:
        typer.echo(f"  {step}", err=True)

    if to == "embedded":
        moved = to_embedded(data, name, say)
    else:
        moved = to_server(data, hot_table_of(to, schema, password_env, password_file), name, say)
    number, sha256 = moved.head
    payload = {
        "from": moved.source,
        "to": moved.target,
        "rows": moved.rows,
        "head": {"number": number, "sha256": sha256},
        "aside": moved.aside,
    }
    answer(
        payload,
        as_json,
        [
            f"Moved from {moved.source} to {moved.target}.",
            f"  {number_of(moved.rows, 'row')}, verified on both sides",
            f"  head of the chain before: entry {number}, {sha256}",
            f"  what it was copied from stays, closed to writers: {moved.aside}",
        ],
    )


@store_app.command("archive")
def move_archive(
    *,
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="ADDRESS",
            help="A folder, or an address such as s3://BUCKET/PREFIX; `embedded`: back into the data folder.",
        ),
    ],
    endpoint: Annotated[
        str, typer.Option("--endpoint", metavar="URL", help="Address of the object store, for s3://.")
    ] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Copy the sealed files to another place, compare every SHA-256, and read them there from now on.

    The service must be stopped. Nothing is deleted where they were: in the data folder they stay as
    copies for charts, which may be deleted. An account for an object store is taken from the environment.

    \b
    Examples:
      stillroom store archive --data data --to /mnt/archive/hall-3
      stillroom store archive --data data --to s3://measuring/hall-3 --endpoint https://objects.example
      stillroom store archive --data data --to embedded
    """
    from ..store import Store
    from ..store.archive_relocation import relocate_archive

    refuse_no_record(data)
    at = _address(to, endpoint)
    with Store.open(data) as store, store.lock_service():
        by = authorised(store, who, Act.ADMINISTER)
        result = relocate_archive(store, at, endpoint, by)
    there = result.files - result.copied
    lines = [
        f"{number_of(result.files, 'sealed file')} at {result.target}, each equal to its seal: "
        f"{result.copied} copied ({result.copied_bytes / 1e6:.1f} MB), {there} there already.",
        "They are read there from now on. Start the service and the pages again.",
        f"What lies in {result.source} was left as it is.",
    ]
    answer({**vars(result)}, as_json, lines)


def _address(to: str, endpoint: str = "") -> str:
    """An address as store.toml has it; "" for the data folder itself. Refused with what to enter instead.

    >>> _address("s3://measuring/hall-3"), _address("embedded")
    ('s3://measuring/hall-3', '')
    """
    from ..store.store_file import archive_table_of

    if not to.strip():
        raise Refused(
            "--to: expected a folder, an address such as s3://BUCKET/PREFIX or `embedded`, found nothing."
        )
    if endpoint and not to.startswith("s3://"):
        raise Refused(f"--endpoint belongs to an address such as s3://BUCKET/PREFIX; --to is {to!r}.")
    if to == "embedded":
        return ""
    return archive_table_of(to if "://" in to else str(Path(to).absolute()), endpoint).at
