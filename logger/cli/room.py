"""A room as a whole: archived, used again, its setup taken for a new one, its record taken back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from ..instants import local
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import has_record, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who
from .output import answer

room = command_group("A room as a whole: archive it, take its setup for another, go back a program.")
NewFolder = Annotated[Path, typer.Option("--out", metavar="DIR", help="A new or empty folder to write into.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, for the journal.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(room, name="room")


@room.command("archive")
def archive(
    *, why: Why, who: Who = "", data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False
) -> None:
    """Close a record for good: from then on it is read and never written, also from a read-only disk.

    Stop the service first. Every question is answered as before; every act is refused.

    \b
    Example:
      stillroom room archive --why "bay moved to hall 4" --who "Greta Holm"
    """
    from ..acts.rooms import archive_room
    from ..inspections.final_numbers import number_everything

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.APPROVE)
        with session.store.lock_service():
            number_everything(session.verdicts(), session.now_ns)
            over = archive_room(session.store, name, why, session.now_ns)
    answer(vars(over), as_json, [f"The room in {data} is archived. Head of its journal: {over.head}."])


@room.command("reopen")
def reopen(
    *, why: Why, who: Who = "", data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False
) -> None:
    """Use an archived room again; the journal says since when it was archived and why it goes on.

    \b
    Example:
      stillroom room reopen --why "bay is used again" --who "Greta Holm"
    """
    from ..acts.rooms import journal_reopening
    from ..store.archived import unmark_archived

    with open_session(data, config, read_only=True) as session:
        name = authorised(session.store, who, Act.APPROVE)
    if not why.strip():
        raise Refused("--why: expected the reason, found nothing; nothing was changed.")
    over = unmark_archived(data)
    with open_session(data, config) as session:
        journal_reopening(session.store, over, name, why)
    answer(vars(over), as_json, [f"The room in {data} is in use again. It was archived on {over.at}."])


@room.command("clone")
def clone(
    *,
    key: Annotated[str, typer.Option("--key", metavar="KEY", help="Key of the new room, such as west.")],
    name: Annotated[str, typer.Option("--name", metavar="TEXT", help="Its name, as printed.")],
    out: NewFolder,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The setup of a room as the first draft of another one's: without evidence of the old.

    No readings, no journal, no certificates, serial numbers, dates or approvals; with zones, positions,
    probes, limits and notices. Complete it, then `stillroom config check` lists what is missing.

    \b
    Example:
      stillroom room clone --key west --name "Measuring room West" --out config-west
    """
    from ..config.clone import clone_texts

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    with open_session(data, config, read_only=True) as session:
        day = local(session.now_ns, session.zone_info).date()
        texts = clone_texts(session.config.texts, key, name, day)
    for file, text in texts.items():
        (out / file).parent.mkdir(parents=True, exist_ok=True)
        (out / file).write_text(text, encoding="utf-8", newline="\n")
    lines = [
        f"{number_of(len(texts), 'file')} in {out}, without certificates. Enter next:",
        "  serial numbers, addresses and positions of the probes; who is notified; the basis of each limit.",
        f"Then: stillroom config check --config {out}",
    ]
    answer({"folder": str(out), "files": sorted(texts)}, as_json, lines)


@room.command("roll-back")
def roll_back(
    *,
    schema: Annotated[
        str,
        typer.Option("--schema", metavar="NUMBER", help="Of the older program; default: the newest."),
    ] = "",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="A new folder for the older record.")
    ] = None,
    data: Data = DEFAULT_DATA,
    as_json: Json = False,
) -> None:
    """Write the record as it was before an upgrade to a new folder. What it lacks is listed.

    The older record is an embedded one, also where the newer one is on a database server. Without --out
    nothing is written. The newer folder is not changed. Stop the service first.

    \b
    Example:
      stillroom room roll-back --out data-older
    """
    from ..store.hot.rollback import kept_copies
    from ..store.hot.rollback import roll_back as write

    if not has_record(data):
        raise Refused(f"There is no data folder {data}; name the record with --data DIR.")
    copies = kept_copies(data)
    if not copies:
        raise Refused(f"{data} was never upgraded: no database of an older program is kept beside it.")
    lost = write(data, schema or list(copies)[-1], out or data / "nowhere", dry_run=out is None)
    last = "Nothing was written: name a new folder with --out." if out is None else f"Written to {out}."
    answer({**vars(lost), "folder": out and str(out)}, as_json, [*lost.lines(), last])
