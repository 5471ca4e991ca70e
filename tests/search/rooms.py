"""Random rooms, as plain data: what stood where, under which certificates and rules, and what was read.

Times are seconds since the first cell, values degC. A room is made of what JSON keeps, so that one that was
ever judged wrongly can be put into `cases.json` and judged again in every run.
"""

from __future__ import annotations

import random
from typing import Any

STEP_S = 60
AIR = ("A1", "A2", "A3")
PART = ("B1",)
UPPER = {"limit": 21.0, "span": 0.8, "slope": 2.0, "spread": 0.9, "gradient": 0.8, "difference": 0.9}
Room = dict[str, Any]


def room(seed: int) -> Room:
    """The room of a seed, always the same."""
    rng = random.Random(seed)
    interval_s = rng.choice((1, 10, 60, 60, 60, 120, 300, 900))
    cells = {1: 130, 10: 260}.get(interval_s, rng.choice((420, 600)))
    probes = list(AIR[: rng.choice((1, 2, 2, 3))]) + list(PART[: rng.choice((0, 0, 1))])
    end_s = cells * STEP_S
    made: Room = {
        "seed": seed,
        "cells": cells,
        "interval_s": interval_s,
        "max_age_s": 180 if interval_s < 60 and rng.random() < 0.7 else 3 * interval_s,
        "settings": _settings(rng, end_s),
        "positions": {p: [float(n), 0.5 * n, 1.0 + 0.4 * n] for n, p in enumerate([*probes, "C1"])},
        "placements": _placements(rng, probes, end_s),
        "certificates": [c for p in probes for c in _certificates(rng, p, end_s)],
        "rules": _rules(rng, probes, end_s),
        "marks": [_stretch(rng, end_s, 3600)] if rng.random() < 0.2 else [],
        "activity": "fine" if rng.random() < 0.2 else "",
        "split": rng.randrange(1, cells),
    }
    made["readings"] = _readings(rng, made, probes, end_s)
    return made


def _stretch(rng: random.Random, end_s: int, longest_s: int) -> list[int]:
    begin = rng.randrange(end_s)
    return [begin, begin + rng.randint(1, longest_s)]


def _settings(rng: random.Random, end_s: int) -> list[list[int]]:
    """(until_s, settling_s, body_gap_s); the last holds for ever."""
    until = [rng.randrange(end_s), -1]
    each = [[u, 60 * rng.choice((0, 20, 45, 60, 90, 120)), 60 * rng.choice((5, 15, 30, 60))] for u in until]
    return each if rng.random() < 0.15 else each[1:]


def _placements(rng: random.Random, probes: list[str], end_s: int) -> list[list[Any]]:
    """(probe, position, from_s, to_s or None): most stay, some leave, come, move, or are away for a while."""
    found: list[list[Any]] = []
    for probe in probes:
        when, how = rng.randrange(end_s), rng.random()
        if probe in PART and how < 0.4:  # from the part into the air
            found += [[probe, probe, -(10**6), when], [probe, "C1", when, None]]
        elif how < 0.8:
            found.append([probe, probe, -(10**6), None])
        elif how < 0.84:
            found.append([probe, probe, -(10**6), when])
        elif how < 0.88:
            found.append([probe, probe, when, None])
        elif how < 0.94:
            found += [[probe, probe, -(10**6), when], [probe, "C1", when, None]]
        else:
            found += [[probe, probe, -(10**6), when], [probe, probe, when + rng.randint(60, 7200), None]]
    return found


def _certificates(rng: random.Random, probe: str, end_s: int) -> list[list[Any]]:
    """(probe, from_s, due_s or None, withdrawn_s or None, correction, U, lowest, highest)."""
    span = rng.choice(([10.0, 30.0], [10.0, 30.0], [19.0, 21.0], [19.4, 20.6]))
    one = [probe, -(10**6), None, None, round(rng.uniform(-0.1, 0.1), 2), 0.1, *span]
    if rng.random() < 0.08:
        one[2] = rng.randrange(end_s)
    if rng.random() < 0.05:
        one[3] = rng.randrange(end_s)
    if rng.random() < 0.03:
        one[1] = rng.randrange(end_s)
    later = [probe, rng.randrange(end_s), None, None, one[4], rng.choice((0.1, 0.3)), 10.0, 30.0]
    return [one, later] if rng.random() < 0.3 else [one]


def _rules(rng: random.Random, probes: list[str], end_s: int) -> list[dict[str, Any]]:
    rules = []
    for number in range(rng.choice((1, 1, 2, 2, 3))):
        of = _rule(rng, probes, number)
        how = rng.random()
        if how < 0.15:
            of["from_s"] = rng.randrange(end_s)
        elif how < 0.25:
            of["to_s"] = rng.randrange(end_s)
        elif how < 0.4:  # the limits change, with or without a time between
            when, tighter = rng.randrange(end_s), dict(of)
            of["to_s"] = when
            tighter["from_s"] = when + rng.choice((0, 0, 1800, 7200))
            tighter["upper"] = round(tighter["upper"] * rng.choice((0.97, 1.05)), 3)
            rules.append(tighter)
        rules.append(of)
        if rng.random() < 0.15:
            rules.append({**of, "activity": "fine", "upper": round(of["upper"] * 0.98, 3)})
    return rules


def _rule(rng: random.Random, probes: list[str], number: int) -> dict[str, Any]:
    air = [p for p in probes if p in AIR]
    kinds = ["limit", "limit", "limit", "limit", "span", "slope"]
    kinds += ["spread", "gradient"] if len(air) > 1 else []
    kinds += ["difference"] if len(probes) > len(air) else []
    kind = rng.choice(kinds)
    upper = {"limit": 21.0, "span": 0.8, "slope": 2.0, "spread": 0.9, "gradient": 0.8, "difference": 0.9}[
        kind
    ]
    of: dict[str, Any] = {
        "name": f"{kind} {number}", "kind": kind, "upper": upper, "lower": None, "from_s": -(10**6),
        "to_s": None, "need": None, "channels": [], "window_s": 0, "activity": "",
        "disturbs": kind == "limit" and rng.random() < 0.9, "r": rng.choice((0.0, 1.0, 1.0)),
    }  # fmt: skip
    if kind == "limit":
        of["lower"] = rng.choice((None, 19.0))
    if kind == "difference":
        of["lower"] = -0.9
    if kind in ("span", "slope"):
        of["window_s"] = rng.choice((1800, 3600))
        of["disturbs"] = kind == "span" and rng.random() < 0.2
    if rng.random() < 0.3:
        of["need"] = rng.randint(1, len(air) + (kind == "difference"))
    elif rng.random() < 0.25 and kind != "difference":
        of["channels"] = rng.sample(
            air, rng.randint(min(2, len(air)) if kind in ("spread", "gradient") else 1, len(air))
        )
    return of


def _readings(rng: random.Random, made: Room, probes: list[str], end_s: int) -> dict[str, list[list[float]]]:
    """By probe (at_s, value): waves, excursions, lost polls, outages of every length, conflicts."""
    steps = (-2.0, 1.2, 0.8, 0.8, 3.5)
    bumps = [(*_stretch(rng, end_s, 9000), rng.choice(steps)) for _ in range(rng.choice((0, 1, 1, 2)))]
    all_out = [_stretch(rng, end_s, 12_000) for _ in range(rng.choice((0, 0, 0, 1)))]
    return {probe: _of_probe(rng, made["interval_s"], end_s, bumps, all_out) for probe in probes}


def _of_probe(
    rng: random.Random, interval_s: int, end_s: int, bumps: list[tuple[int, int, float]], out: list[list[int]]
) -> list[list[float]]:
    quick = interval_s < STEP_S
    offset, wave, fast = rng.uniform(-0.25, 0.25), rng.uniform(0.0, 0.3), rng.choice((0.0, 0.7)) * quick
    several = rng.choice((0, 0, 0, 1, 2)) + 4 * quick
    out = out + [_stretch(rng, end_s, 150 if quick else rng.choice((200, 600, 4000))) for _ in range(several)]
    lost, rare = rng.choice((0.0, 0.0, 0.0, 0.02)), rng.choice((0, 0, 0, 0, 0, 3540, 1500))
    clash = rng.choice((0.0, 0.0003 if quick else 0.004))
    phase, rows = rng.uniform(0.1, 0.9) * min(interval_s, STEP_S), []
    for n in range(int(end_s / interval_s)):
        at = round(n * interval_s + phase + (0 if quick else rng.uniform(-3, 3)), 3)
        gone = rng.random() < lost or any(a <= at < b for a, b in out)
        gone |= bool(rare) and at > end_s / 3 and at % max(rare, 1) > interval_s
        if gone or not 0 <= at < end_s:
            continue
        beyond = sum(by for a, b, by in bumps if a <= at < b) + fast * _wave(at, 100) + wave * _wave(at, 2400)
        value = round(20.0 + offset + beyond + rng.gauss(0, 0.01), 2)
        rows.append([at, value])
        if rng.random() < clash:
            rows.append([at, round(value + rng.choice((4.0, -4.0, 4.0, 0.1, 0.0)), 2)])
    return rows


def _wave(at_s: float, period_s: float) -> float:
    """A triangle between −1 and 1."""
    return 4 * abs(at_s % period_s / period_s - 0.5) - 1
