"""Whether a person who is named, and has not signed in, may do something: for the command line."""

from __future__ import annotations

from ..model.roles import Act
from ..store import Store
from .book import People


def refuse_without_authority(store: Store, who: str, act: Act) -> None:
    """Refused, and journalled, unless the named person has an account whose roles allow the act.

    A record that has no accounts yet knows no roles: there, whoever can write to it may.
    """
    People(store).acting(who, act)
