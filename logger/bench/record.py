"""A made record for measuring: one zone, so many probes, one reading a minute, sealed by month."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import Refused
from ..instants import NS
from ..model import (
    Certificate,
    Channel,
    Placement,
    Position,
    Probe,
    Room,
    Row,
    Rule,
    Setup,
    ThermalBody,
    Zone,
)
from ..processes.children import module
from ..store import Store

START_NS = int(datetime(2025, 1, 1, tzinfo=UTC).timestamp()) * NS
STEP_NS = 60 * NS
ZONE = "bay"
MONTH = 30 * 1440  # readings of a channel that are appended at once


def setup(channels: int) -> Setup:
    """A zone judged by band, two spans, gradients over 8 positions, one body; three-point certificates."""
    keys = [f"P{i:02d}" for i in range(channels)]
    temperature = [f"{key}.temperature" for key in keys]
    band = Rule(
        "bay.temperature",
        ZONE,
        "limit",
        "temperature",
        "temperature",
        "degC",
        19.0,
        21.0,
        "made",
        0,
        disturbs=True,
    )
    other = replace(band, lower=None, unit="K", disturbs=False)
    span = replace(other, kind="span", key="bay.span-1h", name="span in 1 h", upper=0.8, window_s=3600)
    day = replace(span, key="bay.span-24h", name="span in 24 h", upper=1.5, window_s=86_400)
    gradient = replace(
        other, kind="gradient", key="bay.gradient", name="gradient", unit="K/m", upper=1.0, direction="pair",
        channels=tuple(temperature[:8]),
    )  # fmt: skip
    body = ThermalBody("bay.granite", "granite", 7200.0, 600.0, 19.0, 21.0)
    return Setup(
        version=1,
        digest="made",
        room=Room("made", "Made", "Made", "UTC", (8.0, 6.0, 3.0), "nobody", simulated=True),
        zones={ZONE: Zone(ZONE, "Bay", (0, 0, 8, 6), bodies=(body,))},
        positions={
            k: Position(k, k, ZONE, "air", (i % 4 * 2.0, i // 4 % 2 * 2.0, 0.5 + i // 8))
            for i, k in enumerate(keys)
        },
        probes={k: Probe(k, k, "", (f"{k}.temperature",)) for k in keys},
        channels={c: _channel(c) for c in temperature},
        placements=tuple(Placement(k, k, 0) for k in keys),
        certificates=tuple(_certificate(c) for c in temperature),
        rules=(band, span, day, gradient),
        alarms=(),
    )


def _channel(key: str) -> Channel:
    return Channel(
        key,
        key.partition(".")[0],
        "temperature",
        "degC",
        60,
        180,
        0.01,
        0.01,
        (-40.0, 60.0),
        (10.0, 35.0),
        0.5,
        30,
    )


def _certificate(channel: str) -> Certificate:
    return Certificate(
        f"C-{channel}", channel, "made", "", "2024-12-01", 0, None, (15.0, 20.0, 25.0), (0.01, 0.02, -0.01),
        (0.06, 0.06, 0.06), 2.0, (10.0, 30.0), 0.05,
    )  # fmt: skip


def values(days: int, number: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Indications of one probe at 0.01 resolution: a daily swing, 12 min cycles, noise, a few excursions."""
    rng = np.random.default_rng(number)
    minute = np.arange(days * 1440)
    swing = 0.25 * np.sin(minute / 1440 * 2 * np.pi) + 0.08 * np.sin(minute / 12 * 2 * np.pi)
    value = 20.0 + 0.02 * number + swing + rng.normal(0, 0.012, len(minute))
    for begin in range(20_000, len(minute), 40_000):
        value[begin : begin + 90] += 1.2
    return np.round(value, 2)


def make(folder: Path, channels: int, days: int, say: Callable[[str], None]) -> Store:
    """Append and seal the record, or open it where it was made before; one that is half made is finished.

    Refused where the folder holds other readings.
    """
    store = Store.open(folder, create=True, simulated=True)
    try:
        if not is_whole(store, channels, days):
            _finish(store, channels, days, say)
    except BaseException:
        store.close()
        raise
    return store


def make_apart(folder: Path, channels: int, days: int, say: Callable[[str], None]) -> None:
    """Make the record in a process of its own, whose memory is none of what is measured afterwards."""
    with Store.open(folder, create=True, simulated=True) as store:
        if is_whole(store, channels, days):
            return
    say("making the record, in a process of its own")
    line = [*module("logger.bench.record"), str(folder), str(channels), str(days)]
    if subprocess.run(line, check=False).returncode != 0:
        raise Refused(f"The record in {folder} was not finished. Repeat the command, which goes on with it.")


def is_whole(store: Store, channels: int, days: int) -> bool:
    """Whether every reading of the record is there and sealed; Refused where other readings are."""
    newest, extent = store.readings.newest_taken(), store.readings.extent()
    last = {
        key: int(_columns(days, number)[0][-1]) if key in newest else 0
        for number, key in enumerate(setup(channels).channels)
    }
    other = extent is not None and extent[0] < START_NS
    if other or any(at > last.get(key, 0) for key, at in newest.items()):
        raise Refused(
            f"The folder holds another record than one of {channels} channels and {days} days; expected that "
            "one or none (--keep)."
        )
    return newest == last and not store.readings.arrived_after(0, 1)[0]


def _finish(store: Store, channels: int, days: int, say: Callable[[str], None]) -> None:
    """Append and seal what a record lacks: what an interruption left of it is its beginning."""
    newest = store.readings.newest_taken()
    if newest:
        say("the record was not finished: going on with it")
    columns = {key: _columns(days, number) for number, key in enumerate(setup(channels).channels)}
    there = {
        key: int(np.searchsorted(taken_ns, newest.get(key, 0), side="right"))
        for key, (taken_ns, *_) in columns.items()
    }
    for begin in range(0, days * 1440, MONTH):  # in order of time, as a service would
        say(f"making {channels} channels from day {begin // 1440} of {days}")
        for key, arrays in columns.items():
            here = slice(max(begin, there[key]), begin + MONTH)
            if here.start < here.stop:
                store.append("made", _rows(key, *(array[here] for array in arrays)))
        store.seal(START_NS + begin * STEP_NS)  # months that are over, so that the hot tier stays small
    say("sealing")
    store.seal(START_NS + (days + 40) * 86_400 * NS)


def _columns(days: int, number: int) -> tuple[np.ndarray[tuple[int], np.dtype[Any]], ...]:
    """Instants, nanoseconds from asking to having the answer, and values of one channel."""
    series = values(days, number)
    rng = np.random.default_rng(1000 + number)
    jitter = rng.integers(-400, 400, len(series)) * 1_000_000
    answer = rng.integers(36, 44, len(series)) * 1_000_000  # a line of text at 9600 baud
    return START_NS + STEP_NS // 2 + np.arange(len(series)) * STEP_NS + jitter, answer, series


def _rows(key: str, *columns: np.ndarray[tuple[int], np.dtype[Any]]) -> list[Row]:
    """Readings of one boot of the machine, whose monotonic clock ran with UTC."""
    each = zip(*(column.tolist() for column in columns), strict=True)
    return [Row(key, t, t + took, v, boot="made", monotonic_ns=t - START_NS + 10**12) for t, took, v in each]


if __name__ == "__main__":
    make(
        Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), lambda line: print(line, file=sys.stderr)
    ).close()
