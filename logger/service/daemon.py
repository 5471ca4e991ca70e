"""`stillroom run`: one service on one data folder until it is told to end."""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from .. import actions
from ..config import load, load_texts
from ..errors import StillroomError
from ..model import Config
from ..store import Store
from .service import Service

log = logging.getLogger(__name__)


def run(folder_config: Path, folder_data: Path, stop: threading.Event | None = None) -> None:
    """Runs until SIGTERM, Ctrl-C or `stop`; raises when a part of the service died.

    The first start on an empty folder puts the files of config/ in force as version 1.
    """
    ending = stop or threading.Event()
    files = load(folder_config)
    simulated = files.setup.room.simulated
    with Store.open(folder_data, create=True, simulated=simulated) as store, store.lock_service():
        service = Service(store, in_force(store, files))
        with _signals(ending):
            service.start()
            # A wait with an end can be interrupted by Ctrl-C on Windows, too.
            while service.alive and not ending.wait(1.0):
                pass
        died = not service.alive and not ending.is_set()
        ended = service.stop()
    if died or not ended:
        raise StillroomError(
            "The service ended because one of its parts died; its log and journal say which."
            if died
            else "The service did not come to its end in time; its last readings may be missing."
        )


def in_force(store: Store, files: Config, clock: Callable[[], int] = time.time_ns) -> Config:
    """The configuration in force: the newest version in the store, or the files as the first one."""
    if not store.setups():
        who = files.setup.room.custodian
        actions.apply_setup(store, files.texts, who, "first start on an empty record", who, clock())
    newest = store.setups()[-1]
    if dict(newest.texts) != dict(files.texts):
        log.warning(
            "the files differ from setup version %d, which stays in force; see `stillroom config apply`",
            newest.version,
        )
    return load_texts(newest.texts, version=newest.version)


@contextmanager
def _signals(ending: threading.Event) -> Iterator[None]:
    """SIGTERM and Ctrl-C set the event; outside the main thread the caller sees to it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    kept = {sign: signal.signal(sign, lambda *_: ending.set()) for sign in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for sign, handler in kept.items():
            signal.signal(sign, handler)
