"""Random rooms, as plain data: what stood where, under which certificates and rules, and what was read.

Times are seconds since the first cell, values degC and %RH. A room is made of what JSON keeps, so that one
that was ever judged wrongly can be put into `cases.json` and judged again in every run. Channels are called
by their probe ("A1": its temperature), "A1h" (its relative humidity), "A1d" (the dew point of both).
"""

from __future__ import annotations

import random
from typing import Any

from . import signals

STEP_S = 60
BEGIN_S = 20 * 3600  # the first cell, in s of its UTC day: a midnight lies within
AIR = ("A1", "A2", "A3", "A4", "A5")
PART = ("B1", "B2")
ELSEWHERE = "D1"  # a position of another zone
RESOLUTION = {"temperature": 0.01, "relative_humidity": 0.1}
NOISE = {"temperature": 0.01, "relative_humidity": 0.1}
SPAN = {"temperature": (-40.0, 60.0), "relative_humidity": (0.0, 100.0)}
U_PLACE = 0.02
UPPER = {
    "limit": 21.0, "span": 0.8, "slope": 2.0, "spread": 0.9, "gradient": 0.8, "difference": 0.9, "plane": 0.8
}  # fmt: skip
EVER = -(10**6)
Room = dict[str, Any]


def probe_of(name: str) -> str:
    """The probe of a channel."""
    return name[:2]


def quantity_of(name: str) -> str:
    """What a channel measures."""
    return {"h": "relative_humidity", "d": "dew_point"}.get(name[2:], "temperature")


def medium(position: str) -> str:
    """The medium of a position of the zone; "" for one of another."""
    return "" if position in ("", ELSEWHERE) else "part" if position in PART else "air"


def room(seed: int) -> Room:
    """The room of a seed, always the same."""
    rng = random.Random(seed)
    every_s = rng.choice((1, 10, 60, 60, 60, 120, 300, 900))
    cells = {1: 70, 10: 260}.get(every_s, rng.choice((420, 600)))
    probes = list(AIR[: rng.choice((1, 2, 2, 3, 4, 5))]) + list(PART[: rng.choice((0, 0, 1))])
    end_s = cells * STEP_S
    humid = [p + "h" for p in probes if p in AIR and rng.random() < 0.8] if rng.random() < 0.35 else []
    built: Room = {
        "seed": seed,
        "cells": cells,
        "interval_s": every_s,
        "max_age_s": 180 if every_s < 60 and rng.random() < 0.7 else 3 * every_s,
        "settings": _settings(rng, end_s),
        "positions": _positions(rng, [*probes, "C1", "B2", ELSEWHERE]),
        "placements": _placements(rng, probes, end_s),
        "certificates": [c for p in probes for c in _certificates(rng, p, end_s)],
        "rules": _rules(rng, probes, humid, end_s),
        "marks": [signals.stretch(rng, end_s, 3600)] if rng.random() < 0.2 else [],
        "activity": "fine" if rng.random() < 0.2 else "",
        "split": rng.randrange(1, cells),
        "tests": _tests(rng) if rng.random() < 0.6 else {},
        "span": {"temperature": [-2000.0, 2000.0], "relative_humidity": [-100.0, 300.0]}
        if rng.random() < 0.15
        else SPAN,
        "user_span": {"temperature": [18.5, 21.3]} if rng.random() < 0.1 else {},
        "agree_K": rng.choice((0.3, 0.5)) if rng.random() < 0.35 else None,
        "agree_dew_point_K": rng.choice((0.5, 1.0)) if rng.random() < 0.5 else None,
        "bodies": _bodies(rng, probes) if rng.random() < 0.2 else [],
        "clocks": _clocks(rng, probes, end_s) if rng.random() < 0.15 else {},
    }
    built["certificates"] += [c for name in humid for c in _humid_certificates(rng, built, name, end_s)]
    if rng.random() < 0.15:  # more lenient than the bounds allow
        built[rng.choice(("interval_s", "max_age_s"))] = rng.choice((86_400, 20_000))
    built["readings"] = signals.readings(rng, probes, humid, every_s, end_s)
    for probe in built["clocks"]:  # what its clock stamped before the first cell is left out
        for name in (n for n in built["readings"] if probe_of(n) == probe):
            built["readings"][name] = [row for row in built["readings"][name] if row[0] > 150]
    return built


def _settings(rng: random.Random, end_s: int) -> list[list[int]]:
    """(until_s, settling_s, body_gap_s); the last holds for ever."""
    until = [rng.randrange(end_s), -1]
    each = [[u, 60 * rng.choice((0, 20, 45, 60, 90, 120)), 60 * rng.choice((5, 15, 30, 60))] for u in until]
    return each if rng.random() < 0.15 else each[1:]


def _positions(rng: random.Random, places: list[str]) -> dict[str, list[float]]:
    """Scattered, at one height, on a line that leans so much, or nearly so."""
    how, lean = (
        rng.random(),
        rng.choice(((0, 0, 0.5), (0.07, 0, 0.5), (0.12, 0, 0.5), (0.8, 0.4, 0.05), (1, 0.5, 0.4))),
    )
    result: dict[str, list[float]] = {}
    for n, place in enumerate(places):
        if how < 0.4:
            result[place] = [round(n * part, 3) for part in lean[:2]] + [round(1 + n * lean[2], 3)]
        else:
            result[place] = [round(rng.uniform(0, size), 3) for size in (4, 3, 2)]
        if 0.7 < how < 0.85:
            result[place][2] = 1.0 if how < 0.78 else round(1 + rng.uniform(0, 0.03), 3)
    return result


def _placements(rng: random.Random, probes: list[str], end_s: int) -> list[list[Any]]:
    """(probe, position, from_s, to_s or None): most stay, some leave, come, move, or are away for a while."""
    result: list[list[Any]] = []
    for probe in probes:
        when, how = rng.randrange(end_s), rng.random()
        if probe in PART and how < 0.4:  # from the part into the air
            result += [[probe, probe, EVER, when], [probe, "C1", when, None]]
        elif how < 0.78:
            result.append([probe, probe, EVER, None])
        elif how < 0.82:
            result.append([probe, probe, EVER, when])
        elif how < 0.86:
            result.append([probe, probe, when, None])
        elif how < 0.95:
            to = rng.choice(("C1", ELSEWHERE, "B2"))
            result += [[probe, probe, EVER, when], [probe, to, when, None]]
        else:
            result += [[probe, probe, EVER, when], [probe, probe, when + rng.randint(60, 7200), None]]
    return result


def _certificates(rng: random.Random, probe: str, end_s: int) -> list[list[Any]]:
    """(channel, from_s, due_s or None, withdrawn_s or None, correction, U, lowest, highest[, number])."""
    span = rng.choice(([10.0, 30.0], [10.0, 30.0], [19.0, 21.0], [19.4, 20.6]))
    item = [probe, EVER, None, None, round(rng.uniform(-0.1, 0.1), 2), 0.1, *span]
    if rng.random() < 0.08:
        item[2] = rng.randrange(end_s)
    if rng.random() < 0.05:
        item[3] = rng.randrange(end_s)
    if rng.random() < 0.03:
        item[1] = rng.randrange(end_s)
    later = [probe, rng.randrange(end_s), None, None, item[4], rng.choice((0.1, 0.3)), 10.0, 30.0]
    return [item, later] if rng.random() < 0.3 else [item]


def _humid_certificates(rng: random.Random, build: Room, name: str, end_s: int) -> list[list[Any]]:
    """Of its own, or in one certificate with the temperature of the probe."""
    own = [name, EVER, None, None, round(rng.uniform(-1, 1), 1), 1.5, 5.0, rng.choice((95.0, 55.0))]
    if rng.random() < 0.08:
        own[2] = rng.randrange(end_s)
    if rng.random() < 0.4:
        first = next(c for c in build["certificates"] if c[0] == probe_of(name))
        if len(first) == 8:
            first.append(f"paper of {first[0]}")
        own.append(first[8])
    return [own]


def _tests(rng: random.Random) -> dict[str, dict[str, Any]]:
    return {
        "temperature": {
            "spike": rng.choice((None, 0.5003)), "rate": rng.choice((None, 3.0003, 1.0003)),
            "flat_n": rng.choice((0, 8, 30)),
        },
        "relative_humidity": {
            "spike": rng.choice((None, 4.003)), "rate": rng.choice((None, 15.003)),
            "flat_n": rng.choice((0, 8)),
        },
    }  # fmt: skip


def _bodies(rng: random.Random, probes: list[str]) -> list[dict[str, Any]]:
    """Declared bodies, in the air of the zone or at one probe."""
    result = []
    for _ in range(rng.choice((1, 1, 2))):
        tau_s = 60 * rng.choice((10, 30, 60, 240))
        half = rng.choice((0.6, 1.0, 3.0))
        named = [rng.choice(probes)] if rng.random() < 0.3 else []
        result.append(
            {
                "tau_s": tau_s, "u_tau_s": rng.choice((0, tau_s // 10)), "lower": 20 - half,
                "upper": 20 + half, "channels": named,
            }
        )  # fmt: skip
    return result


def _clocks(rng: random.Random, probes: list[str], end_s: int) -> dict[str, list[list[float]]]:
    """By probe (what its clock showed, how far that was ahead, in s): comparisons."""
    compared = {}
    for probe in probes:
        if rng.random() < 0.6:
            when = sorted(rng.sample(range(end_s), rng.choice((1, 2, 3))))
            compared[probe] = [
                [at, round(rng.choice((0.0, 1.5, 5.0, 140.0)) * rng.random(), 3)] for at in when
            ]
    return compared


def _rules(rng: random.Random, probes: list[str], humid: list[str], end_s: int) -> list[dict[str, Any]]:
    rules = []
    for number in range(rng.choice((1, 1, 2, 2, 3))):
        of = _rule(rng, probes, humid, number)
        how = rng.random()
        if how < 0.15:
            of["from_s"] = rng.randrange(end_s)
        elif how < 0.25:
            of["to_s"] = rng.randrange(end_s)
        elif how < 0.4 and of["upper"]:  # the limits change, with or without a time between
            when, tighter = rng.randrange(end_s), dict(of)
            of["to_s"] = when
            tighter["from_s"] = when + rng.choice((0, 0, 1800, 7200))
            tighter["upper"] = round(tighter["upper"] * rng.choice((0.97, 1.05)), 3)
            rules.append(tighter)
        rules.append(of)
        if rng.random() < 0.15 and of["upper"]:
            rules.append({**of, "activity": "fine", "upper": round(of["upper"] * 0.98, 3)})
    return rules


def _rule(rng: random.Random, probes: list[str], humid: list[str], number: int) -> dict[str, Any]:
    air = [p for p in probes if p in AIR]
    kinds = ["limit", "limit", "limit", "limit", "span", "slope"]
    kinds += ["spread", "gradient"] if len(air) > 1 else []
    kinds += ["difference"] if len(probes) > len(air) else []
    kinds += ["plane", "plane"] if len(air) > 3 else []
    if humid and rng.random() < 0.6:
        return _humid_rule(rng, probes, humid, number)
    kind = rng.choice(kinds)
    of = _blank(f"{kind} {number}", kind, rng)
    of["upper"] = UPPER[kind]
    of["disturbs"] = rng.random() < (0.9 if kind == "limit" else 0.1)
    if kind == "limit":
        of["lower"] = rng.choice((None, 19.0))
    if kind == "difference":
        of["lower"] = -0.9
    if kind in ("span", "slope"):
        of["window_s"] = rng.choice((1800, 3600))
        of["disturbs"] = kind == "span" and rng.random() < 0.2
        of["completeness"] = rng.choice((0.95, 0.95, 0.01))
    if kind in ("gradient", "plane"):
        of["direction"] = rng.choice(("pair", "pair", "vertical", "horizontal"))
        of["direction"] = "" if kind == "plane" and of["direction"] == "pair" else of["direction"]
    if rng.random() < 0.3:
        of["need"] = rng.randint(0, len(air) + (kind == "difference"))
    elif rng.random() < 0.25 and kind != "difference":
        least = {"spread": 2, "gradient": 2, "plane": 4}.get(kind, 1)
        of["channels"] = rng.sample(air, rng.randint(min(least, len(air)), len(air)))
    return of


def _humid_rule(rng: random.Random, probes: list[str], humid: list[str], number: int) -> dict[str, Any]:
    """Limits and spans of humidity, limits of a dew point, condensation on a part."""
    kinds = ["limit", "limit", "span", "dew point"]
    kinds += ["condensation"] * 4 if any(p in PART for p in probes) else []
    kind = rng.choice(kinds)
    of = _blank(f"{kind} {number}", "limit" if kind == "dew point" else kind, rng)
    of["quantity"], of["unit"] = "relative_humidity", "%RH"
    if kind == "limit":
        of["lower"], of["upper"] = rng.choice((None, 40.0)), 52.0
    elif kind == "span":
        of["upper"], of["window_s"] = 7.0, rng.choice((1800, 3600))
    elif kind == "dew point":
        of["quantity"], of["unit"], of["upper"] = "dew_point", "K", 10.0
    else:
        of["quantity"] = "temperature"
        if rng.random() < 0.5:
            of["unit"], of["lower"], of["upper"] = "K", 10.0, None
        else:
            of["upper"] = 52.0
    if rng.random() < 0.3:
        of["need"] = rng.randint(0, len(humid) + (kind == "condensation"))
    elif rng.random() < 0.25 and kind != "condensation":
        names = [probe_of(n) + "d" for n in humid] if kind == "dew point" else humid
        of["channels"] = rng.sample(names, rng.randint(1, len(names)))
    of["disturbs"] = rng.random() < 0.2
    return of


def _blank(name: str, kind: str, rng: random.Random) -> dict[str, Any]:
    return {
        "name": name, "kind": kind, "upper": None, "lower": None, "from_s": EVER, "to_s": None, "need": None,
        "channels": [], "window_s": 0, "activity": "", "disturbs": False, "r": rng.choice((0.0, 1.0, 1.0)),
    }  # fmt: skip
