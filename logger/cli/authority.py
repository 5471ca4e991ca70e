"""Who acts on the command line: once a record has accounts an account does, proven by its password.

A record without accounts knows no roles: there a name is taken as it is given, and papers say so. In a
simulated record the invented people need no password, as on its pages.
"""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import typer

from ..errors import Refused
from ..model.roles import MAY, Act
from .options import person

if TYPE_CHECKING:
    from ..people import Account, People
    from ..store import Store

PASSWORD = "STILLROOM_PASSWORD"  # noqa: S105 (the name of a variable)
APPROVER_PASSWORD = "STILLROOM_APPROVER_PASSWORD"  # noqa: S105


def authorised(store: Store, who: str, act: Act, *, variable: str = PASSWORD) -> str:
    """The name to act under; Refused, and journalled, where accounts exist and this is none that may.

    `variable` is the one of the environment in which a script gives the password.
    """
    from ..people import People

    people = People(store)
    if not people.in_use():
        return person(who)
    account = account_of(people, who, act)
    proven(people, account, act, variable)
    return account.person


def account_of(people: People, who: str, act: Act) -> Account:
    """The account that is named, or that of the login; in a demonstration its first person."""
    from ..people import invented

    name = person(who)
    if not who.strip() and people.store.simulated and people.find_by_any_name(name) is None:
        name = invented.FIRST
    try:
        return people.authority(name, act)
    except Refused as refused:
        able = _able(people, act) if people.store.simulated else []
        hint = f" In this demo, give: --who {able[0]}." if able else ""
        raise Refused(f"{refused}{hint}") from None


def proven(people: People, account: Account, act: Act, variable: str = PASSWORD) -> str:
    """The password by which the account was proven; Refused and journalled where it is wrong."""
    from ..people import Kind, Refusals, invented
    from ..store.origin import ORIGIN

    if invented.is_invented(people, account):
        password = invented.PASSWORD
    else:
        password = _password(account, variable)
        if people.authenticate(account.name, password) is None:
            refusals = Refusals(people.store)
            refusals.note(account.person, act.value, "wrong password", "command line", Kind.SIGNATURE)
            raise Refused(f"Nothing was changed: the password of {account.person} is wrong.")
    way = dict(ORIGIN.get() or {})
    ORIGIN.set({**way, "account": ", ".join(filter(None, (way.get("account"), account.name)))})
    return password


def _password(account: Account, variable: str) -> str:
    from_environment = os.environ.get(variable)
    if from_environment is not None:
        return from_environment
    if not sys.stdin.isatty():
        raise Refused(
            f"Nothing was changed: the password of {account.person} is typed at a terminal; a script gives "
            f"it in the environment variable {variable}."
        )
    return str(typer.prompt(f"Password of {account.person}", hide_input=True, err=True))


def _able(people: People, act: Act) -> list[str]:
    """Accounts whose roles allow an act; to propose, first those after whom another can approve."""
    able = [a for a in people.all() if a.active and MAY[act].intersection(a.roles)]
    if act is Act.PROPOSE:
        able.sort(key=lambda a: not people.others_who_may(Act.APPROVE, a.person))
    return [a.name for a in able]
