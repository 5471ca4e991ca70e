"""Rooms of a group made for tests: small records with a setup, a key and a summary."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from logger.model import Setup
from logger.people import People
from logger.rooms import registry
from logger.rooms.registry import Registry
from logger.rooms.roles import centre_of
from logger.rooms.summary import write_summary
from logger.store import Store
from tests.dashboard.synthetic import NOW, Synthetic

__all__ = ["NOW"]
PASSWORD = "twelve or more of them"


@dataclass
class MadeGroup:
    """A list of rooms in a folder, each a copy of the tests' record with a key of its own."""

    file: Path

    @property
    def registry(self) -> Registry:
        return registry.read(self.file)

    def add(self, key: str, *, now_ns: int = NOW) -> Path:
        """A room of three judged days, named in the list."""
        source = Synthetic(simulated=False)
        setup = source.setup()
        source.store.close()
        folder = self.file.parent / key
        shutil.copytree(source.store.folder, folder)
        with Store.open(folder) as store:
            summary = write_summary(store, setup, now_ns)
        entry = registry.RoomEntry(key, Path(key), summary.key_name, setup.room.name)
        registry.add(self.file, entry)
        return folder

    def renew(self, key: str, now_ns: int, change: Callable[[Store], None] | None = None) -> None:
        """The room goes on and renews its summary."""
        with Store.open(self.file.parent / key) as store:
            if change:
                change(store)
            write_summary(store, setup_of(store), now_ns)

    def person(self, name: str, full: str, *roles: str, rooms: tuple[str, ...] = ()) -> None:
        """Somebody with an account of the group, and with roles in some rooms."""
        from logger.model.roles import roles_of
        from logger.rooms.roles import give_roles, room_store

        with centre_of(self.registry) as centre:
            people = People(centre)
            if people.find(name) is None:
                people.add(name, full, roles_of(["reader"]), PASSWORD, "test")
            for key in rooms:
                with room_store(self.registry.room(key)) as store:
                    give_roles(people, People(store), name, roles_of(roles), "test")


def setup_of(store: Store) -> Setup:
    from logger.config import in_force

    return in_force(store.setups.versions()).setup


@pytest.fixture
def group(tmp_path: Path) -> MadeGroup:
    """An empty list of rooms."""
    return MadeGroup(tmp_path / "rooms.toml")
