"""What the probes of a random room read: waves, excursions, outages, conflicts, faulty probes."""

from __future__ import annotations

import random

Stretch = list[int]
STEPS = (-2.0, 1.2, 0.8, 0.8, 3.5)
ABSURD = (-300.0, 62.5, 99.9, -41.0, 10_000.0, 85.0)
ABSURD_HUMIDITY = (-30.0, -3.0, 103.0, 140.0)


def stretch(rng: random.Random, end_s: int, longest_s: int) -> Stretch:
    """A time somewhere in the room's record."""
    begin = rng.randrange(end_s)
    return [begin, begin + rng.randint(1, longest_s)]


def readings(
    rng: random.Random, probes: list[str], humid: list[str], every_s: int, end_s: int
) -> dict[str, list[list[float]]]:
    """By channel (at_s, value)."""
    bumps = [(*stretch(rng, end_s, 9000), rng.choice(STEPS)) for _ in range(rng.choice((0, 1, 1, 2)))]
    wet = [(*stretch(rng, end_s, 9000), rng.choice((9.0, -9.0, 20.0))) for _ in range(rng.choice((0, 1)))]
    all_out = [stretch(rng, end_s, 12_000) for _ in range(rng.choice((0, 0, 0, 1)))]
    built = {probe: _of_channel(rng, every_s, end_s, bumps, all_out, 1.0) for probe in probes}
    return built | {name: _of_channel(rng, every_s, end_s, wet, all_out, 10.0) for name in humid}


def _of_channel(
    rng: random.Random, every_s: int, end_s: int, bumps: list[tuple[int, int, float]], out: list[Stretch],
    scale: float,
) -> list[list[float]]:  # fmt: skip
    """One channel; `scale` 1 for temperature, 10 for humidity, whose swings are as much larger."""
    quick, humid = every_s < 60, scale > 1
    offset, wave = scale * rng.uniform(-0.25, 0.25), scale * rng.uniform(0.0, 0.3)
    fast = rng.choice((0.0, 0.7)) * quick
    several = rng.choice((0, 0, 0, 1, 2)) + 4 * quick
    out = out + [stretch(rng, end_s, 150 if quick else rng.choice((200, 600, 4000))) for _ in range(several)]
    if rng.random() < 0.2:  # a probe of its own mind
        bumps = [*bumps, (*stretch(rng, end_s, 15_000), scale * rng.choice((0.45, -0.9, 2.5, 60.0)))]
    stuck = [stretch(rng, end_s, rng.choice((4000, 20_000)))] if rng.random() < 0.15 else []
    lost, rare = rng.choice((0.0, 0.0, 0.0, 0.02)), rng.choice((0, 0, 0, 0, 0, 3540, 1500))
    clash, wild = rng.choice((0.0, 0.0003 if quick else 0.004)), rng.choice((0.0, 0.0, 0.003, 0.02))
    absurd = rng.choice((0.0, 0.0, 0.0, 0.002))
    phase, rows = rng.uniform(0.1, 0.9) * min(every_s, 60), []
    for n in range(int(end_s / every_s)):
        at = round(n * every_s + phase + (0 if quick else rng.uniform(-3, 3)), 3)
        removed = rng.random() < lost or any(a <= at < b for a, b in out)
        removed |= bool(rare) and at > end_s / 3 and at % max(rare, 1) > every_s
        if removed or not 0 <= at < end_s:
            continue
        beyond = sum(by for a, b, by in bumps if a <= at < b) + fast * _wave(at, 100) + wave * _wave(at, 2400)
        value = round(
            (45.0 if humid else 20.0) + offset + beyond + rng.gauss(0, 0.01 * scale), 1 if humid else 2
        )
        if rng.random() < wild:
            value = round(value + scale * rng.choice((0.7, -0.7, 1.5, 8.0)), 2)
        if rng.random() < absurd:
            value = rng.choice(ABSURD_HUMIDITY if humid else ABSURD)
        if any(a <= at < b for a, b in stuck) and rows:
            value = rows[-1][1]
        rows.append([at, value])
        if rng.random() < clash:
            rows.append([at, round(value + scale * rng.choice((4.0, -4.0, 4.0, 0.1, 0.0)), 2)])
    return rows


def _wave(at_s: float, period_s: float) -> float:
    """A triangle between −1 and 1."""
    return 4 * abs(at_s % period_s / period_s - 0.5) - 1
