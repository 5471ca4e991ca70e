"""Session of a command: the open data folder and the configuration in force."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ..errors import IntervalError, Refused
from ..instants import parse, wall, wall_span
from ..model import Config, Setup
from .options import DEFAULT_CONFIG

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts


@dataclass(frozen=True)
class Session:
    """An open data folder with the configuration in force and the time of the command."""

    store: Store
    config: Config
    now_ns: int

    @property
    def setup(self) -> Setup:
        return self.config.setup

    @property
    def zone_info(self) -> ZoneInfo:
        return ZoneInfo(self.setup.room.timezone)

    def wall(self, at_ns: int | None) -> str:
        """A time as tables print it: local, with its offset; "" for none."""
        return "" if at_ns is None else wall(at_ns, self.zone_info)

    def setup_notices(self) -> list[str]:
        """Why the setup in force could not be entered any more; empty where that of a folder is used."""
        from ..config import faults_in_force

        return faults_in_force(self.store.setups.versions()) if self.setup.version else []

    def verdicts(self) -> Verdicts:
        from ..verdicts.verdicts import Verdicts

        return Verdicts(self.store, self.setup)


@contextmanager
def open_session(data: Path, config: Path | None, *, read_only: bool = False) -> Iterator[Session]:
    """Open an existing data folder; Refused where there is none.

    `read_only`: every byte of it stays as it is, also where an older program wrote it. So it is of an
    archived room, and on a disk that cannot be written: questions are answered, acts refused.
    """
    from ..store import Store
    from ..store.archived import is_for_reading_only

    if not has_record(data):
        raise Refused(
            f"There is no data folder {data}. Name one with --data DIR; `stillroom demo` makes one with a "
            "simulated room, `stillroom run --begin` and `stillroom import` make one for your room."
        )
    read_only = read_only or is_for_reading_only(data)
    if not read_only:
        _refuse_before_upgrade(data, config)
    with Store.open(data, read_only=read_only) as store:
        yield Session(store, _config_for(store, config), time.time_ns())


def _refuse_before_upgrade(data: Path, config: Path | None) -> None:
    """Refuse a faulty configuration before an older record is upgraded, so that nothing is changed."""
    from ..store import Store
    from ..store.hot.database import is_older

    if is_older(data):
        with Store.open(data, read_only=True) as store:
            _config_for(store, config)


def refuse_no_record(data: Path) -> None:
    """Refuse a folder without a record: its disk may not be mounted, which makes it no new room."""
    from ..store.hot.address import holds_record
    from ..store.hot.database import FILE

    if holds_record(data):
        return
    names = sorted(p.name for p in data.iterdir()) if data.is_dir() else []
    if names:
        what = f"There is no record in {data}: expected {FILE}, found {names[0]!r}."
    elif data.is_dir():
        what = f"The data folder {data} is empty: expected {FILE} in it, found nothing."
    else:
        what = f"There is no data folder {data}."
    raise Refused(
        f"{what} Nothing was written. If its disk is not mounted, mount it and start again. If the record "
        f"was deleted, restore the newest backup: `stillroom restore --from DIR --data {data}`. To begin a "
        f"new record there: `stillroom run --begin --config DIR --data {data}`, once."
    )


def refuse_second_begin(data: Path) -> None:
    """Refuse to begin a record where there is one."""
    from ..store.hot.address import holds_record

    if holds_record(data):
        raise Refused(
            f"{data} holds a record already; nothing was changed. Start without --begin, and keep it out "
            "of units and scripts: there it would begin another record once the disk is not mounted."
        )


@contextmanager
def open_or_begin(data: Path, config: Path | None, who: str, *, begin: bool) -> Iterator[Session]:
    """Open the record of a folder, or with `begin` make a new one; else Refused. For what runs by itself."""
    (refuse_second_begin if begin else refuse_no_record)(data)
    with _create(data, config, who) if begin else open_session(data, config) as session:
        yield session


@contextmanager
def open_or_create(data: Path, config: Path | None, who: str) -> Iterator[Session]:
    """Open a data folder, or create one with the configuration as version 1."""
    with open_session(data, config) if has_record(data) else _create(data, config, who) as session:
        yield session


@contextmanager
def _create(data: Path, config: Path | None, who: str) -> Iterator[Session]:
    from ..acts.inspections import apply_setup

    proposed = load_folder(config or DEFAULT_CONFIG)
    with open_store(data, proposed, create=True) as (store, now_ns):
        assert store is not None  # noqa: S101 (create=True always gives one)
        apply_setup(store, proposed.texts, who, "first setup of an empty store", who, now_ns)
        yield Session(store, _config_for(store, None), now_ns)


@contextmanager
def open_store(data: Path, configuration: Config, create: bool) -> Iterator[tuple[Store | None, int]]:
    """The store of a folder; where there is none, a new one, or None without `create`."""
    from ..store import Store

    if not create and not has_record(data):
        yield None, time.time_ns()
        return
    with Store.open(data, create=create, simulated=configuration.setup.room.simulated) as store:
        yield store, time.time_ns()


def has_record(data: Path) -> bool:
    """Whether a folder exists and is not empty, so that it may hold a store."""
    return data.is_dir() and any(data.iterdir())


def _config_for(store: Store, folder: Path | None) -> Config:
    """The configuration in force; where a folder with another one is named, that one as version 0."""
    from ..config import in_force

    applied = store.setups.versions()
    if folder is None and applied:
        return in_force(applied)
    named = load_folder(folder or DEFAULT_CONFIG)
    if applied and applied[-1].digest == named.setup.digest:
        return in_force(applied)
    return named


def load_folder(folder: Path) -> Config:
    """Load the configuration in a folder; Refused where there is none, ConfigError with all its faults."""
    from ..config import load

    if not folder.is_dir():
        raise Refused(
            f"There is no configuration folder {folder}. Name one with --config DIR; "
            "`stillroom config export --out DIR` writes a complete example to start from."
        )
    return load(folder)


def require_applied_setup(session: Session) -> Setup:
    """The setup in force; Refused where it was never applied, as what is issued must name its version."""
    if session.setup.version == 0:
        raise Refused(
            "This configuration was never applied to the data folder, so nothing can be issued under it. "
            "See what it would change with `stillroom config apply --dry-run`, then have it approved."
        )
    return session.setup


def not_before(from_ns: int, to_ns: int, zone: ZoneInfo) -> IntervalError:
    """What says that an interval ends before it begins, in the time of the room."""
    return IntervalError(f"--from {wall(from_ns, zone)} is not before --to {wall(to_ns, zone)}.")


def interval(session: Session, zone: str, start: str, end: str) -> tuple[int, int]:
    """[from, to) in ns from the options of a command; IntervalError where it cannot be judged."""
    session.setup.zone(zone)
    from_ns = parse(start, session.zone_info, "--from")
    to_ns = parse(end, session.zone_info, "--to")
    if from_ns >= to_ns:
        raise not_before(from_ns, to_ns, session.zone_info)
    if to_ns > session.now_ns:
        raise IntervalError(
            f"--to {wall(to_ns, session.zone_info)} is in the future (it is "
            f"{wall(session.now_ns, session.zone_info)} now); "
            "only what was recorded can be judged."
        )
    _refuse_before_record(session, zone, to_ns)
    return from_ns, to_ns


def _refuse_before_record(session: Session, zone: str, to_ns: int) -> None:
    extent = session.store.readings.extent(session.setup.channels_in(zone))
    if extent is None:
        raise IntervalError(
            f"There are no readings of zone {zone!r} yet; import some with `stillroom import`."
        )
    if to_ns <= extent[0]:
        raise IntervalError(
            f"--to {wall(to_ns, session.zone_info)} is before the readings of zone {zone!r}, which are from "
            f"{wall_span(*extent, session.zone_info)}."
        )


def whole_or_interval(session: Session, start: str | None, end: str | None) -> tuple[int, int]:
    """The named interval; where an end is left open, that of the record."""
    first, last = session.store.readings.extent() or (session.now_ns - 1, session.now_ns - 1)
    from_ns = parse(start, session.zone_info, "--from") if start else first
    to_ns = parse(end, session.zone_info, "--to") if end else last + 1
    if from_ns >= to_ns:
        raise not_before(from_ns, to_ns, session.zone_info)
    return from_ns, to_ns
