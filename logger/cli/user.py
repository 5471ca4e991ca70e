"""People who sign in to the pages, and tokens of machines; here the system's user is the authority."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from ..errors import Refused, UnknownName
from ..instants import parse, rfc3339, wall
from ..model.figures import number_of
from ..model.roles import Act, Role
from .authority import APPROVER_PASSWORD, authorised
from .command_list import command_group
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer, table

if TYPE_CHECKING:
    from ..people import Account, People, Token
    from ..store import Store

user = command_group("People who sign in to the pages, their roles, and tokens of machines.")
token = command_group("Tokens by which machines push readings or ask for verdicts.")

Name = Annotated[str, typer.Argument(metavar="NAME", help="The short name to sign in by.")]
Roles = Annotated[
    list[str],
    typer.Option(
        "--role", metavar="ROLE", help="reader, operator, metrologist, quality, administrator; repeat."
    ),
]
Stdin = Annotated[
    bool, typer.Option("--password-stdin", help="Read the password from standard input, one line.")
]


Rooms = Annotated[
    Path | None,
    typer.Option(
        "--rooms", metavar="FILE", help="The accounts of a group of rooms, by its rooms.toml, not of --data."
    ),
]


def add_to(app: typer.Typer) -> None:
    user.add_typer(token, name="token")
    app.add_typer(user, name="user")


@user.command("add")
def add(
    name: Name,
    *,
    full: Annotated[
        str, typer.Option("--person", metavar="NAME", help="The full name, as records print it.")
    ],
    role: Roles,
    password_stdin: Stdin = False,
    rooms: Rooms = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Create an account. You are asked for its password, at least 12 characters.

    \b
    Example:
      stillroom user add gholm --person "Greta Holm" --role metrologist --role operator
    """
    from ..model.roles import roles_of
    from ..people import People

    with _record(data, config, rooms) as store:
        roles, by = roles_of(role), _administrator(store, who)
        account = People(store).add(name, full, roles, _password(password_stdin), by)
    typer.echo(f"{account.person} signs in as {account.name}: {_roles(account)}.")


@user.command("list")
def list_accounts(
    *, rooms: Rooms = None, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False
) -> None:
    """Every account with its roles; those that were disabled too."""
    from ..people import People

    with _record(data, config, rooms) as store:
        accounts, time_text = People(store).all(), _time_text(store)
    rows = [
        {
            "name": a.name,
            "person": a.person,
            "roles": _roles(a),
            "state": "in use" if a.active else "disabled",
            "changed": rfc3339(a.changed_ns),
        }
        for a in accounts
    ]
    local = [row | {"changed": time_text(a.changed_ns)} for row, a in zip(rows, accounts, strict=True)]
    heads = ("name", "person", "roles", "state", "changed")
    first = f"{number_of(len(rows), 'account')}." if rows else "No accounts yet. Add one: stillroom user add."
    answer(
        rows, as_json, [first, *table(heads, [[row[h] for h in heads] for row in local])] if rows else [first]
    )


@user.command("role")
def role(
    name: Name,
    *,
    role: Roles,
    room: Annotated[
        str,
        typer.Option(
            "--room",
            metavar="KEY",
            help="In this room of --rooms; '*': in every room, which needs a second administrator.",
        ),
    ] = "",
    approver: Annotated[
        str, typer.Option("--approver", metavar="NAME", help="The second administrator, for --room '*'.")
    ] = "",
    rooms: Rooms = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Give an account other roles, in place of those it had; in force at its next click.

    \b
    Examples:
      stillroom user role gholm --role metrologist --role operator
      stillroom user role gholm --rooms rooms.toml --room hall-3 --role metrologist
    """
    from ..model.roles import roles_of
    from ..people import People

    if room:
        _role_in_rooms(name, roles_of(role), room, rooms or Path("rooms.toml"), (who, approver))
        return
    with _record(data, config, rooms) as store:
        after = People(store).set_roles(name, roles_of(role), _administrator(store, who))
    typer.echo(f"{after.person}: {_roles(after)}.")


def _role_in_rooms(
    name: str, roles: Collection[Role], room: str, file: Path, administrators: tuple[str, str]
) -> None:
    """Give a person of the group roles in one room or in all of them; each room journals it."""
    from ..people import People
    from ..rooms.registry import read
    from ..rooms.roles import centre_of, give_roles, room_store

    registry, (who, approver) = read(file), administrators
    entries = list(registry.rooms.values()) if room == "*" else [registry.room(room)]
    with centre_of(registry) as centre:
        people = People(centre)
        by = authorised(centre, who, Act.ADMINISTER)
        if room == "*":
            second = authorised(centre, approver, Act.ADMINISTER, variable=APPROVER_PASSWORD)
            if people.is_same_person(by, second):
                raise Refused(
                    "Nothing was changed: roles in every room need two administrators; name the other one "
                    f"with --approver. You named {by} twice."
                )
            by = f"{by}, approved by {second}"
        for entry in entries:
            with room_store(entry) as store:
                after = give_roles(people, People(store), name, roles, by)
            typer.echo(f"{entry.key}: {after.person} is {_roles(after)}.")


@user.command("disable")
def disable(
    name: Name,
    *,
    undo: Annotated[bool, typer.Option("--undo", help="Put the account back in use.")] = False,
    rooms: Rooms = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Disable an account and end its sessions. Accounts are never removed: the record names them."""
    from ..people import People

    with _record(data, config, rooms) as store:
        after = People(store).set_active(name, undo, _administrator(store, who))
    typer.echo(f"{after.person} ({after.name}) is {'in use again' if undo else 'disabled'}.")


@user.command("password")
def password(
    name: Name,
    *,
    password_stdin: Stdin = False,
    recover: Annotated[
        bool,
        typer.Option(
            "--recover",
            help="Where the administrator's password is lost: by the right of the owner of this machine. The "
            "journal says so.",
        ),
    ] = False,
    rooms: Rooms = None,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Set a new password for an account, and end its sessions; with --rooms in every room of the group."""
    from ..people import People

    with _record(data, config, rooms) as store:
        people = People(store)
        people.account(name)
        by = f"{person('')}, by --recover" if recover else _administrator(store, who)
        people.set_password(name, _password(password_stdin), by)
        if rooms is not None:
            _spread(rooms, people, name, by)
    typer.echo(f"{name}: password changed; all sessions ended.")


@token.command("add")
def token_add(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="Name of the machine: it pushes under this name.")
    ],
    *,
    scope: Annotated[
        list[str],
        typer.Option(
            "--scope", metavar="SCOPE", help="readings, verdicts, inspections, health or calendar; repeat."
        ),
    ],
    probe: Annotated[
        list[str] | None,
        typer.Option("--probe", metavar="PROBE", help="Only readings of this probe; may be repeated."),
    ] = None,
    until: Annotated[
        str, typer.Option("--until", metavar="TIME", help="When it expires; default: never.")
    ] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Create a token for a machine. It is shown once and not stored; send it as `Authorization: Bearer …`.

    \b
    Example:
      stillroom user token add bench-node --scope readings --probe P4
    """
    from ..model.roles import scopes_of
    from ..people import Tokens

    with open_session(data, config) as session:
        probes = _probes(probe or [], session.setup.probes)
        until_ns = parse(until, session.zone_info, "--until") if until else None
        tokens, by = Tokens(session.store), _administrator(session.store, who)
        new_token, text = tokens.add(name, scopes_of(scope), by, probes=probes, until_ns=until_ns)
    payload = {"token": text, **_token_dict(new_token)}
    answer(
        payload,
        as_json,
        [text, f"Token {new_token.id} for {name}: {payload['scopes']}. It is not shown again."],
    )


@token.command("list")
def token_list(*, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Every token with its scopes; never the token itself."""
    from ..people import Tokens

    with open_session(data, config) as session:
        tokens = Tokens(session.store).all()
        rows = [_token_dict(t) for t in tokens]
        local = [_token_dict(t, session.wall) for t in tokens]
    heads = ("id", "name", "scopes", "probes", "made", "until", "revoked")
    first = f"{number_of(len(rows), 'token')}."
    answer(
        rows, as_json, [first, *table(heads, [[row[h] for h in heads] for row in local])] if rows else [first]
    )


@token.command("revoke")
def token_revoke(
    ident: Annotated[str, typer.Argument(metavar="ID", help="As `stillroom user token list` shows it.")],
    *,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Revoke a token."""
    from ..people import Tokens

    with open_session(data, config) as session:
        revoked = Tokens(session.store).revoke(ident, _administrator(session.store, who))
    typer.echo(f"Token {revoked.id} of {revoked.name} is revoked.")


@contextmanager
def _record(data: Path, config: Path | None, rooms: Path | None) -> Iterator[Store]:
    """The record whose accounts are meant: that of a data folder, or of a group."""
    if rooms is None:
        with open_session(data, config) as session:
            yield session.store
        return
    from ..rooms.registry import read
    from ..rooms.roles import centre_of

    with centre_of(read(rooms)) as store:
        yield store


def _spread(rooms: Path, people: People, name: str, by: str) -> None:
    from ..rooms.registry import read
    from ..rooms.roles import spread_password

    spread = spread_password(read(rooms), people, name, by)
    for key, why in spread.failed:
        typer.echo(f"{key}: the password there is still the old one. {why}", err=True)


def _administrator(store: Store, who: str) -> str:
    """Who acts on accounts: an administrator, once there is one in use; before, whoever is named."""
    from ..people import People

    if any(account.may(Act.ADMINISTER) for account in People(store).all()):
        return authorised(store, who, Act.ADMINISTER)
    return person(who)


def _password(from_stdin: bool) -> str:
    """Typed twice without being shown, or one line of standard input."""
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    if not sys.stdin.isatty():
        raise Refused("The password is typed at a terminal; a script gives it by --password-stdin.")
    return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))


def _probes(names: list[str], registered: Collection[str]) -> list[str]:
    for name in names:
        if name not in registered:
            raise UnknownName("probe", name, registered)
    return names


def _roles(account: Account) -> str:
    from ..model.roles import Role

    return ", ".join(role.value for role in Role if role in account.roles)


def _time_text(store: Store) -> Callable[[int], str]:
    """How a table writes a time: local by the setup in force; UTC where there is no setup."""
    from ..config import in_force

    versions = store.setups.versions()
    if not versions:
        return rfc3339
    zone = ZoneInfo(in_force(versions).setup.room.timezone)
    return lambda at_ns: wall(at_ns, zone)


def _token_dict(token: Token, time_text: Callable[[int], str] = rfc3339) -> dict[str, str]:
    def at(ns: int | None) -> str:
        return "" if ns is None else time_text(ns)

    return {
        "id": token.id,
        "name": token.name,
        "scopes": ", ".join(sorted(token.scopes)),
        "probes": ", ".join(token.probes) or "any",
        "made": at(token.made_ns),
        "until": at(token.until_ns),
        "revoked": at(token.revoked_ns),
    }
