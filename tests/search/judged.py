"""A random room as the judge is told of it, and what it says, in one go and in two."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np

from logger.core.evidence.cells import Grid
from logger.core.judge.settings import judge_over
from logger.core.judge.settling import at_start_of_record
from logger.instants import NS
from logger.model import (
    REASONS,
    Certificate,
    Channel,
    Mark,
    Placement,
    Position,
    Probe,
    Room,
    Rule,
    Settings,
    Setup,
    Zone,
)
from logger.series import Readings

from . import rooms
from .plainly import NOISE, RESOLUTION, U_PLACE
from .rooms import STEP_S

BEGIN_NS = int(datetime(2026, 3, 9, 20, tzinfo=UTC).timestamp()) * NS  # a midnight lies within


def ns(at_s: float | None) -> int | None:
    """An instant of a room."""
    return None if at_s is None else BEGIN_NS + round(at_s * 1000) * (NS // 1000)


def setup(room: rooms.Room) -> Setup:
    """The room as the judge is told of it."""
    probes = list(room["readings"])
    every = {p: Channel(f"{p}.temperature", p, "temperature", "degC", room["interval_s"], room["max_age_s"],
                        RESOLUTION, NOISE, (-40.0, 60.0)) for p in probes}  # fmt: skip
    channels = {c.key: c for c in every.values()}
    zones = [
        {"bay": Zone("bay", "Bay", (0, 0, 5, 5), settling_s=settling_s, body_gap_s=gap_s)}
        for _, settling_s, gap_s in room["settings"]
    ]
    return Setup(
        version=1,
        digest="made",
        room=Room("room", "Room", "Works", "UTC", (5, 5, 3), "nobody", simulated=True),
        zones=zones[-1],
        positions={
            p: Position(p, p, "bay", "part" if p in rooms.PART else "air", (xyz[0], xyz[1], xyz[2]), U_PLACE)
            for p, xyz in room["positions"].items()
        },
        probes={p: Probe(p, p, "", (f"{p}.temperature",)) for p in probes},
        channels=channels,
        placements=tuple(Placement(p, pos, ns(a) or 0, ns(b)) for p, pos, a, b in room["placements"]),
        certificates=tuple(_certificate(n, c) for n, c in enumerate(room["certificates"])),
        rules=tuple(_rule(n, r) for n, r in enumerate(room["rules"])),
        alarms=(),
        step_s=STEP_S,
        earlier=tuple(
            Settings(ns(until) or 0, zone, channels)
            for (until, _, _), zone in zip(room["settings"], zones, strict=True)
            if until >= 0
        ),
    )


def _certificate(number: int, of: list[Any]) -> Certificate:
    probe, begin, due, withdrawn, correction, U, low, high = of
    return Certificate(
        f"C{number}", f"{probe}.temperature", "", "", "2026-01-01", ns(begin) or 0, ns(due), (20.0,),
        (correction,), (U,), 2.0, (low, high), withdrawn_ns=ns(withdrawn),
    )  # fmt: skip


def _rule(number: int, of: dict[str, Any]) -> Rule:
    return Rule(
        key=f"bay.{number}", zone="bay", kind=of["kind"], name=of["name"], quantity="temperature", unit="K",
        lower=of["lower"], upper=of["upper"], basis="", from_ns=ns(of["from_s"]) or 0, to_ns=ns(of["to_s"]),
        media=("air", "part") if of["kind"] == "difference" else ("air",),
        channels=tuple(f"{p}.temperature" for p in sorted(of["channels"])), need=of["need"],
        window_s=of["window_s"], direction="pair" if of["kind"] == "gradient" else "", r=of["r"],
        disturbs=of["disturbs"], activity=of["activity"],
    )  # fmt: skip


def _readings(rows: list[list[float]]) -> Readings:
    taken = np.array([ns(at) for at, _ in rows], np.int64)
    order = np.argsort(taken, kind="stable")
    none = np.zeros(len(rows))
    return Readings(taken[order], np.array([v for _, v in rows])[order], none.astype(np.uint8), none > 0)


def reasons(room: rooms.Room, split: int = 0) -> list[str]:
    """The reason of each cell; `split`: judged in two, the second from the state that the first leaves."""
    made, first = setup(room), BEGIN_NS // (STEP_S * NS)
    readings = {f"{p}.temperature": _readings(rows) for p, rows in room["readings"].items()}
    marks = [Mark("bay", ns(a) or 0, ns(b) or 0, "", "") for a, b in room["marks"]]
    now_ns = BEGIN_NS + room["cells"] * STEP_S * NS
    state = at_start_of_record(made.at(BEGIN_NS).zone("bay"))
    found: list[str] = []
    edges = [0, split, room["cells"]] if split else [0, room["cells"]]
    for begin, end in pairwise(edges):
        grid = Grid(first + begin, end - begin, STEP_S)
        judgement = judge_over(
            "bay", made, readings, grid, state, now_ns=now_ns, marks=marks, activity=room["activity"]
        )
        found += [REASONS[int(reason)] for reason in judgement.reason]
        state = judgement.memory.states[grid.n]
    return found
