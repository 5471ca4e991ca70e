"""Temperature over height as a drawing of ours: means with their uncertainty, and the range of the window."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from ..data.words import figure, to_read_unit, unit

Place = Callable[[float], float]
WIDTH, HEIGHT = 396.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 16.0, 14.0, 40.0


@dataclass(frozen=True)
class Level:
    """A probe at its height: mean, least, greatest over the window in degC, U in K (k = 2)."""

    probe: str
    height_m: float
    mean: float
    low: float
    high: float
    U: float


def profile(levels: Sequence[Level], height_m: float) -> str:
    """The profile as SVG text; every text in it is escaped."""
    low = min(min(level.low, level.mean - level.U) for level in levels)
    high = max(max(level.high, level.mean + level.U) for level in levels)
    air = max(0.08 * (high - low), 0.02)
    low, high = low - air, high + air

    def x(value: float) -> float:
        return round(LEFT + (value - low) / (high - low) * (WIDTH - LEFT - RIGHT), 1)

    def y(height: float) -> float:
        return round(TOP + (1 - height / height_m) * (HEIGHT - TOP - BOTTOM), 1)

    line = "M" + "L".join(f"{x(level.mean)} {y(level.height_m)}" for level in levels)
    parts = [_axes(low, high, height_m, y), f'<path class="profile-line" d="{line}"/>']
    parts += [_level(level, x, y) for level in levels]
    return (
        f'<svg class="profile" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(words(levels), quote=True)}">{"".join(parts)}</svg>'
    )


def words(levels: Sequence[Level]) -> str:
    """What the profile shows, for a screen reader."""
    levels_text = (
        f"{level.probe} at {level.height_m:g} m {figure(level.mean, 'degC', level.U)}" for level in levels
    )
    return "Temperature over height: " + "; ".join(levels_text) + "."


def _level(level: Level, x: Place, y: Place) -> str:
    at, up = x(level.mean), y(level.height_m)
    left, right = x(level.mean - level.U), x(level.mean + level.U)
    text = f"{level.probe} {to_read_unit(level.mean, 'degC')[0]:.2f}"
    beside = at < WIDTH - 110
    return (
        f'<path class="profile-range" d="M{x(level.low)} {up}H{x(level.high)}"/>'
        f'<path class="scale-bracket" d="M{left} {up - 9}H{right}M{left} {up - 12}v6M{right} {up - 12}v6"/>'
        f'<circle class="plan-probe" cx="{at}" cy="{up}" r="5"/>'
        f'<text class="profile-text" x="{at + (10 if beside else -10)}" y="{up + 18}" '
        f'text-anchor="{"start" if beside else "end"}">{escape(text)}</text>'
    )


def _axes(low: float, high: float, height_m: float, y: Place) -> str:
    """Heights to the left, temperatures below, in the unit in which they are read."""
    base, edge = HEIGHT - BOTTOM, WIDTH - RIGHT
    parts = [f'<path class="scale-line" d="M{LEFT} {TOP}V{base}H{edge}"/>']
    for i in range(int(height_m * 2) + 1):
        up = y(i / 2)
        parts.append(f'<path class="scale-line" d="M{LEFT - 5} {up}h5"/>')
        parts += [_word(LEFT - 9, up + 4, f"{i // 2}", "end")] if i % 2 == 0 else []
    a, b = to_read_unit(low, "degC")[0], to_read_unit(high, "degC")[0]
    step = next(s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 50) if (b - a) / s <= 6)
    for i in range(int(-(-a // step)), int(b // step) + 1):
        across = round(LEFT + (i * step - a) / (b - a) * (edge - LEFT), 1)
        parts.append(f'<path class="scale-line" d="M{across} {base}v5"/>')
        parts.append(_word(across, base + 18, f"{i * step:g}", "middle"))
    return "".join([*parts, _word(edge, base + 34, unit("degC"), "end"), _word(4, TOP + 4, "m", "start")])


def _word(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text class="profile-tick" x="{x}" y="{y}" text-anchor="{anchor}">{escape(text)}</text>'
