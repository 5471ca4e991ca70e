"""Records made for measuring the pages, and a server on them in a process of its own."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from logger.bench.record import ZONE, setup, values
from logger.instants import NS, rfc3339
from logger.model import Config, Period, Row, Setup
from logger.model.plain_forms import LiveStatement
from logger.store import Store
from logger.verdicts.current import Current
from logger.verdicts.verdicts import Verdicts

from ..data.source import Source

HOUR_NS = 3600 * NS
DAY_NS = 24 * HOUR_NS


def bench_setup(probes: int, step_s: int) -> Setup:
    """The setup of the bench of judging, read every so many seconds."""
    whole = setup(max(probes, 8))
    channels = {k: replace(c, interval_s=step_s, max_age_s=3 * step_s) for k, c in whole.channels.items()}
    return replace(whole, channels=channels)


def fill(
    folder: Path, probes: int, days: int, step_s: int, *, end_ns: int, say: Callable[[str], None]
) -> None:
    """Readings of so many probes up to an instant, sealed where a month is over; kept when it is there.

    What was interrupted goes on where it ended, from the instant at which it began.
    """
    with Store.open(folder, create=True, simulated=True) as store:
        newest, extent = store.readings.newest_taken(), store.readings.extent()
        step_ns, each = step_s * NS, step_s // 60
        n = -(-days * 1440 // each)
        first_ns = end_ns - n * step_ns if extent is None else extent[0]
        for number, channel in enumerate(list(bench_setup(probes, step_s).channels)[:probes]):
            there = (newest.get(channel, first_ns - step_ns) - first_ns) // step_ns + 1
            if there == n:
                continue
            say(f"making {channel}, {days} days")
            column = values(days, number)[::each].tolist()
            instants_ns = [first_ns + i * step_ns for i in range(n)]
            rows = [Row(channel, t, t + NS, v) for t, v in zip(instants_ns, column, strict=True)][there:]
            for begin in range(0, len(rows), 50_000):
                store.append("made", rows[begin : begin + 50_000])
        say("sealing")
        store.seal(first_ns + n * step_ns)


class FrozenCurrent(Current):
    """What holds in a made record, which keeps no files of a setup."""

    def __init__(self, store: Store, whole: Setup) -> None:
        super().__init__(store)
        self._frozen = 1, Config(whole, (), (), texts={}), Verdicts(store, whole)

    def _newest(self) -> tuple[int, Config, Verdicts]:
        assert self._frozen is not None  # noqa: S101 (set above)
        return self._frozen


class BenchSource(Source):
    """A made record: nothing is judged; so many periods, stable and not, stand in every window."""

    def __init__(self, folder: Path, whole: Setup, periods: int) -> None:
        super().__init__(folder)
        self.current = FrozenCurrent(self.store, whole)
        self._periods = periods

    def periods(self, zone: str, from_ns: int, to_ns: int, _now_ns: int) -> list[Period]:
        whole = to_ns - from_ns
        edges = [from_ns + whole * i // self._periods for i in range(self._periods + 1)]
        return [
            Period(zone, a, b, "not stable", "settling")
            if i % 2
            else Period(zone, a, b, "stable", "conforming")
            for i, (a, b) in enumerate(pairwise(edges))
        ]

    def excursions(self, *_: Any) -> list[Any]:
        return []

    def live(self) -> Mapping[str, LiveStatement]:
        now = rfc3339(time.time_ns())
        return {
            ZONE: {
                "zone": ZONE,
                "name": "Bay",
                "at": now,
                "verdict": "stable",
                "reason": "conforming",
                "since": now,
                "sentence": "Bay is stable.",
                "next_step": "",
                "ahead": None,
                "forecast": "",
                "provisional": True,
                "rules": [],
                "oldest_reading_s": 0.0,
            }
        }


def _serve(folder: Path, probes: int, step_s: int, periods: int, pipe: Connection) -> None:
    """The pages until the pipe closes; answers each message with the seconds of processor used so far."""
    import threading

    from .. import connections
    from ..app import create_app

    whole = bench_setup(probes, step_s)
    whole = replace(whole, channels=dict(list(whole.channels.items())[:probes]))
    app = create_app(folder, source=BenchSource(folder, whole, periods))
    server = connections.server(app.server, "127.0.0.1", 0)
    pipe.send(server.port)
    threading.Thread(target=server.run, daemon=True).start()
    while True:
        try:
            pipe.recv()
        except EOFError:
            return
        pipe.send(time.process_time())


@contextmanager
def served(folder: Path, probes: int, step_s: int, periods: int) -> Iterator[tuple[str, Callable[[], float]]]:
    """The address of a server on a made record, and what asks it for its seconds of processor."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(folder, probes, step_s, periods, there), daemon=True)
    process.start()
    there.close()

    def used_s() -> float:
        here.send("")
        return float(here.recv())

    try:
        yield f"http://127.0.0.1:{here.recv()}", used_s
    finally:
        here.close()
        process.join(10)
        if process.is_alive():
            process.terminate()
