"""Whether a person who is named, and has not signed in, may do something: for the command line."""

from __future__ import annotations

from ..errors import Refused
from ..model.roles import Act, refuse_unless, required_roles
from ..store import Store
from .book import People


def refuse_without_authority(store: Store, who: str, act: Act) -> None:
    """Refused unless the named person has an account whose roles allow the act.

    A record that has no accounts yet knows no roles: there, whoever can write to it may.
    """
    people = People(store)
    if not any(a.active for a in people.all()):
        return
    found = people.named(who)
    if found is None or not found.active:
        raise Refused(
            f"Nothing was changed: {who.strip() or 'nobody'} has no account here, and so may not "
            f"{act.value}; that takes the role {required_roles(act)}."
        )
    refuse_unless(found.person, found.roles, act)
