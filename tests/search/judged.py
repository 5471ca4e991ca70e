"""A random room as the judge is told of it, and what it says, in one go and in two."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np

from logger.core.evidence.grid import Grid
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
    ThermalBody,
    Zone,
)
from logger.series import Readings
from logger.store.hot.clocks import true_ns

from . import rooms
from .rooms import BEGIN_S, NOISE, RESOLUTION, STEP_S, U_PLACE, probe_of, quantity_of

BEGIN_NS = int(datetime(2026, 3, 9, tzinfo=UTC).timestamp() + BEGIN_S) * NS
UNIT = {"temperature": "degC", "relative_humidity": "%RH"}


def ns(at_s: float | None) -> int | None:
    """An instant of a room."""
    return None if at_s is None else BEGIN_NS + round(at_s * 1000) * (NS // 1000)


def key_of(name: str) -> str:
    """The key of a channel."""
    return f"{probe_of(name)}.{quantity_of(name)}"


def setup(room: rooms.Room) -> Setup:
    """The room as the judge is told of it."""
    names = list(room["readings"])
    probes = sorted({probe_of(name) for name in names})
    channels = {key_of(name): _channel(room, name) for name in names}
    outline = (0.0, 0.0, 5.0, 5.0)
    zones = [
        {"bay": _zone(room, settling_s, gap_s), "store": Zone("store", "Store", outline)}
        for _, settling_s, gap_s in room["settings"]
    ]
    return Setup(
        version=1,
        digest="made",
        room=Room("room", "Room", "Works", "UTC", (5, 5, 3), "nobody", simulated=True),
        zones=zones[-1],
        positions={
            p: Position(
                p, p, "bay" if rooms.medium(p) else "store", rooms.medium(p) or "air",
                (xyz[0], xyz[1], xyz[2]), U_PLACE,
            )
            for p, xyz in room["positions"].items()
        },
        probes={p: Probe(p, p, "", tuple(key_of(n) for n in names if probe_of(n) == p)) for p in probes},
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
    )  # fmt: skip


def _zone(room: rooms.Room, settling_s: int, gap_s: int) -> Zone:
    bodies = tuple(
        ThermalBody(
            f"bay.{n}", f"Body {n}", of["tau_s"], of["u_tau_s"], of["lower"], of["upper"],
            tuple(key_of(name) for name in of["channels"]),
        )
        for n, of in enumerate(room.get("bodies", []))
    )  # fmt: skip
    return Zone(
        "bay", "Bay", (0, 0, 5, 5), settling_s=settling_s, body_gap_s=gap_s, bodies=bodies,
        agree_K=room.get("agree_K"), agree_dew_point_K=room.get("agree_dew_point_K"),
    )  # fmt: skip


def _channel(room: rooms.Room, name: str) -> Channel:
    of = quantity_of(name)
    tests, user_span = room.get("tests", {}).get(of, {}), room.get("user_span", {}).get(of)
    return Channel(
        key_of(name), probe_of(name), of, UNIT[of], room["interval_s"], room["max_age_s"],
        RESOLUTION[of], NOISE[of], tuple(room.get("span", rooms.SPAN)[of]),
        user_span and (user_span[0], user_span[1]), tests.get("spike"), tests.get("rate"),
        tests.get("flat_n", 0),
    )  # fmt: skip


def _certificate(number: int, of: list[Any]) -> Certificate:
    name, begin, due, withdrawn, correction, U, low, high = of[:8]
    return Certificate(
        of[8] if len(of) > 8 else f"C{number}", key_of(name), "", "", "2026-01-01", ns(begin) or 0, ns(due),
        (20.0,), (correction,), (U,), 2.0, (low, high), withdrawn_ns=ns(withdrawn),
    )  # fmt: skip


def _rule(number: int, of: dict[str, Any]) -> Rule:
    kind = of["kind"]
    media = {"difference": ("air", "part"), "condensation": ("part",)}.get(kind, ("air",))
    return Rule(
        key=f"bay.{number}", zone="bay", kind=kind, name=of["name"],
        quantity=of.get("quantity", "temperature"), unit=of.get("unit", "K"),
        lower=of["lower"], upper=of["upper"], basis="", from_ns=ns(of["from_s"]) or 0, to_ns=ns(of["to_s"]),
        media=media, channels=tuple(key_of(name) for name in sorted(of["channels"])), need=of["need"],
        window_s=of["window_s"], direction=of.get("direction", "pair" if kind == "gradient" else ""),
        r=of["r"], completeness=of.get("completeness", 0.95), disturbs=of["disturbs"],
        activity=of["activity"],
    )  # fmt: skip


def _readings(room: rooms.Room, name: str, *, backwards: bool) -> Readings:
    """As the store gives them: at the instants that comparisons of the probe's clock show, in order."""
    rows = room["readings"][name][:: -1 if backwards else 1]
    taken_ns = np.array([ns(at) for at, _ in rows], np.int64)
    compared = room.get("clocks", {}).get(probe_of(name))
    if compared and len(rows):
        clock, ahead = np.array([ns(at) for at, _ in compared]), [round(a * NS) for _, a in compared]
        taken_ns = true_ns(taken_ns, clock, np.array(ahead, np.int64))
    order = np.argsort(taken_ns, kind="stable")
    none = np.zeros(len(rows))
    return Readings(taken_ns[order], np.array([v for _, v in rows])[order], none.astype(np.uint8), none > 0)


def reasons(room: rooms.Room, split: int = 0) -> list[str]:
    """The reason of each cell; `split`: judged in two, the second from the state that the first leaves."""
    built, first = setup(room), BEGIN_NS // (STEP_S * NS)
    # In what order the values of one instant arrived must not matter.
    readings = {key_of(n): _readings(room, n, backwards=bool(split)) for n in room["readings"]}
    marks = [Mark("bay", ns(a) or 0, ns(b) or 0, "", "") for a, b in room["marks"]]
    now_ns = BEGIN_NS + room["cells"] * STEP_S * NS
    state = at_start_of_record(built.at(BEGIN_NS).zone("bay"))
    result: list[str] = []
    edges = [0, split, room["cells"]] if split else [0, room["cells"]]
    for begin, end in pairwise(edges):
        grid = Grid(first + begin, end - begin, STEP_S)
        judgement = judge_over(
            "bay", built, readings, grid, state, now_ns=now_ns, marks=marks, activity=room["activity"]
        )
        result += [REASONS[int(reason)] for reason in judgement.reason]
        state = judgement.memory.states[grid.n]
    return result
