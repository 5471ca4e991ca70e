"""Who may do what in which room: a person signs in once, to the group, and has an account in each room.

The account of a room is the room's own, with its roles and its journal: what a person may do there does
not hang on the group's folder. The group's account proves who a person is, with one password everywhere.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from ..errors import Refused, StillroomError
from ..model.roles import Role
from ..people import Account, People
from ..store import Store
from ..store.hot.database import is_older
from .registry import Registry, RoomEntry


@contextmanager
def centre_of(registry: Registry, *, simulated: bool | None = None) -> Iterator[Store]:
    """The record of the group itself: its accounts, and what people accepted. Made at first use."""
    with Store.open(registry.accounts, create=True, simulated=simulated) as store:
        yield store


@contextmanager
def room_store(entry: RoomEntry, *, read_only: bool = False) -> Iterator[Store]:
    """The record of a room of the group; Refused where its folder is not there.

    read_only: every byte of it stays. Otherwise a record that an older program keeps is refused: opening it
    would change its tables under the room's own service.
    """
    if not entry.data.is_dir():
        raise Refused(
            f"Room {entry.key}: expected its data folder at {entry.data}, found none. Mount it, or correct "
            f"`data` under [rooms.{entry.key}]."
        )
    if not read_only:
        refuse_older(entry)
    with Store.open(entry.data, read_only=read_only) as store:
        yield store


def refuse_older(entry: RoomEntry) -> None:
    """Refused where the record of a room has the tables of an older program."""
    if is_older(entry.data):
        raise Refused(
            f"Room {entry.key}: its record is kept by an older version of the program than this one. Update "
            "the program of that room first; its own service then brings the tables up to date."
        )


def give_roles(centre: People, room: People, name: str, roles: Collection[Role], by: str) -> Account:
    """The roles of a person of the group in one room, in place of those before; journalled in that room."""
    account = centre.account(name)
    there = room.find(account.name)
    if there is None:
        return room.adopt(account, centre.password_digest(account.name), roles, by)
    if there.person != account.person:
        raise Refused(
            f"Nothing was changed: {account.name!r} is {there.person} in this room and {account.person} in "
            "the group. Give one of the two another name."
        )
    if not there.active:
        room.set_active(account.name, True, by)
    return room.set_roles(account.name, roles, by)


@dataclass(frozen=True)
class Spread:
    """In which rooms a change of an account holds now, and where it does not yet, with why."""

    changed: tuple[str, ...]
    failed: tuple[tuple[str, str], ...]


def spread_password(registry: Registry, centre: People, name: str, by: str) -> Spread:
    """Give the accounts of a person in every room the password that the group's account has now."""
    account, digest = centre.account(name), centre.password_digest(name)
    changed, failed = [], []
    for entry in registry.rooms.values():
        try:
            with room_store(entry) as store:
                people = People(store)
                there = people.find(account.name)
                if there is not None and there.person == account.person:
                    people.set_password_digest(account.name, digest, by)
                    changed.append(entry.key)
        except StillroomError as error:
            failed.append((entry.key, str(error)))
    return Spread(tuple(changed), tuple(failed))
