"""People who sign in to the pages, and tokens of machines: for an administrator, once there is one."""

from __future__ import annotations

import sys
from collections.abc import Collection
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused, UnknownName
from ..instants import parse, rfc3339
from ..model.roles import Act
from .authority import authorised
from .context import opened
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer, counted, table

if TYPE_CHECKING:
    from ..people import Account, Token
    from ..store import Store

user = typer.Typer(help="People who sign in to the pages, their roles, and tokens of machines.")
token = typer.Typer(help="Tokens by which machines push readings or ask for verdicts.")

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


def add_to(app: typer.Typer) -> None:
    user.add_typer(token, name="token", no_args_is_help=True)
    app.add_typer(user, name="user", no_args_is_help=True)


@user.command("add")
def add(
    name: Name,
    *,
    full: Annotated[
        str, typer.Option("--person", metavar="NAME", help="The full name, as records print it.")
    ],
    role: Roles,
    password_stdin: Stdin = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Make an account. The password is asked for, 12 characters or more.

    \b
    Example:
      stillroom user add gholm --person "Greta Holm" --role metrologist --role operator
    """
    from ..model.roles import roles_of
    from ..people import People

    with opened(data, config) as found:
        roles, by = roles_of(role), _administrator(found.store, who)
        made = People(found.store).add(name, full, roles, _password(password_stdin), by)
    typer.echo(f"{made.person} signs in as {made.name}: {_roles(made)}.")


@user.command("list")
def listed(*, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Every account with its roles; those that were disabled too."""
    from ..people import People

    with opened(data, config) as found:
        accounts = People(found.store).all()
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
    heads = ("name", "person", "roles", "state", "changed")
    first = f"{counted(len(rows), 'account')}." if rows else "There is no account yet: stillroom user add."
    answer(
        rows, as_json, [first, *table(heads, [[row[h] for h in heads] for row in rows])] if rows else [first]
    )


@user.command("role")
def role(name: Name, *, role: Roles, who: Who = "", data: Data = DEFAULT_DATA, config: Config = None) -> None:
    """Give an account other roles, in place of those it had; in force at its next click."""
    from ..model.roles import roles_of
    from ..people import People

    with opened(data, config) as found:
        after = People(found.store).set_roles(name, roles_of(role), _administrator(found.store, who))
    typer.echo(f"{after.person}: {_roles(after)}.")


@user.command("disable")
def disable(
    name: Name,
    *,
    undo: Annotated[bool, typer.Option("--undo", help="Take the account into use again.")] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Shut an account and end its sessions. Accounts are never removed: the record names them."""
    from ..people import People

    with opened(data, config) as found:
        after = People(found.store).set_active(name, undo, _administrator(found.store, who))
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
            help="Without an administrator, whose password is lost: by the right of who owns this machine. "
            "The journal says so.",
        ),
    ] = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Give an account another password, and end its sessions."""
    from ..people import People

    with opened(data, config) as found:
        people = People(found.store)
        people.known(name)
        by = f"{person('')}, by --recover" if recover else _administrator(found.store, who)
        people.set_password(name, _password(password_stdin), by)
    typer.echo(f"{name} has another password; whoever was signed in by it signs in anew.")


@token.command("add")
def token_add(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="Name of the machine: it pushes under this name.")
    ],
    *,
    scope: Annotated[
        list[str],
        typer.Option("--scope", metavar="SCOPE", help="readings, verdicts, inspections or health; repeat."),
    ],
    probe: Annotated[
        list[str] | None,
        typer.Option("--probe", metavar="PROBE", help="Only readings of this probe; may be repeated."),
    ] = None,
    until: Annotated[
        str, typer.Option("--until", metavar="TIME", help="When it ends by itself; default: never.")
    ] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Make a token for a machine. It is shown once and kept nowhere; send it as `Authorization: Bearer …`.

    \b
    Example:
      stillroom user token add bench-node --scope readings --probe P4
    """
    from ..model.roles import scopes_of
    from ..people import Tokens

    with opened(data, config) as found:
        probes = _probes(probe or [], found.setup.probes)
        until_ns = parse(until, found.zone_info, "--until") if until else None
        tokens, by = Tokens(found.store), _administrator(found.store, who)
        made, text = tokens.add(name, scopes_of(scope), by, probes=probes, until_ns=until_ns)
    told = {"token": text, **_token_json(made)}
    answer(told, as_json, [text, f"Token {made.id} for {name}: {told['scopes']}. It is not shown again."])


@token.command("list")
def token_list(*, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Every token with what it may; never the token itself."""
    from ..people import Tokens

    with opened(data, config) as found:
        rows = [_token_json(one) for one in Tokens(found.store).all()]
    heads = ("id", "name", "scopes", "probes", "made", "until", "revoked")
    first = f"{counted(len(rows), 'token')}."
    answer(
        rows, as_json, [first, *table(heads, [[row[h] for h in heads] for row in rows])] if rows else [first]
    )


@token.command("revoke")
def token_revoke(
    ident: Annotated[str, typer.Argument(metavar="ID", help="As `stillroom user token list` shows it.")],
    *,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """Make a token worthless from now on."""
    from ..people import Tokens

    with opened(data, config) as found:
        revoked = Tokens(found.store).revoke(ident, _administrator(found.store, who))
    typer.echo(f"Token {revoked.id} of {revoked.name} is revoked.")


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


def _probes(wanted: list[str], known: Collection[str]) -> list[str]:
    for one in wanted:
        if one not in known:
            raise UnknownName("probe", one, known)
    return wanted


def _roles(account: Account) -> str:
    from ..model.roles import Role

    return ", ".join(role.value for role in Role if role in account.roles)


def _token_json(one: Token) -> dict[str, str]:
    def at(ns: int | None) -> str:
        return "" if ns is None else rfc3339(ns)

    return {
        "id": one.id,
        "name": one.name,
        "scopes": ", ".join(sorted(one.scopes)),
        "probes": ", ".join(one.probes) or "any",
        "made": at(one.made_ns),
        "until": at(one.until_ns),
        "revoked": at(one.revoked_ns),
    }
