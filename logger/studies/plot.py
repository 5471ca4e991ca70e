"""Axes and marks of the charts of a study, as SVG of our own: the same on paper and on the screen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from ..record.marks import HAIR, INK, LIMIT, SOFT
from ..record.svg import drawing, element, path, text

WIDTH, SIZE = 640.0, 12.0
Number = float | None


@dataclass(frozen=True)
class Palette:
    """Colours by what they are for; those of a screen follow its theme."""

    ink: str
    soft: str
    hair: str
    series: str
    other: str
    limit: str
    sheet: str
    font: str = "B612, sans-serif"


PAPER = Palette(INK, SOFT, HAIR, "#0072b2", "#a64d79", LIMIT, "#ffffff")
SCREEN = Palette(
    "var(--ink)", "var(--ink-2)", "var(--hair)", "var(--series-blue)", "var(--series-purple)", "var(--limit)",
    "var(--sheet)",
)  # fmt: skip


@dataclass(frozen=True)
class PlotAxis:
    """Values [low, high] along a line from `begin` to `end` in points, linear or in the logarithm."""

    low: float
    high: float
    begin: float
    end: float
    log: bool = False

    def place(self, value: float) -> float:
        """Where a value lies; what is beyond an end lies on it."""
        if self.log:
            share = math.log(max(value, 1e-300) / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return self.begin + min(max(share, 0.0), 1.0) * (self.end - self.begin)

    def ticks(self, most: int = 6) -> list[float]:
        """Round values along the axis."""
        if self.log:
            return _log_ticks(self.low, self.high)
        step = round_step((self.high - self.low) / most)
        first = math.ceil(self.low / step - 1e-9)
        return [n * step for n in range(first, math.floor(self.high / step + 1e-9) + 1)]


def round_step(least: float) -> float:
    """The next 1, 2 or 5 times a power of ten.

    >>> round_step(0.03), round_step(7)
    (0.05, 10.0)
    """
    power = 10.0 ** math.floor(math.log10(max(least, 1e-12)))
    return next((n * power for n in (1.0, 2.0, 5.0) if n * power >= least * (1 - 1e-9)), 10 * power)


def _log_ticks(low: float, high: float) -> list[float]:
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    many = [n * 10.0**p for p in powers for n in (1, 2, 5)]
    inside = [value for value in many if low * 0.999 <= value <= high * 1.001]
    few = [value for value in inside if math.isclose(math.log10(value) % 1, 0, abs_tol=1e-9)]
    return few if len(inside) > 9 and len(few) > 2 else inside


def span_of(values: Iterable[Number], *, zero: bool = False, margin: float = 0.06) -> tuple[float, float]:
    """Ends of an axis for these values, with a margin; with 0 inside where asked."""
    numbers = [value for value in values if value is not None and math.isfinite(value)]
    if zero:
        numbers.append(0.0)
    low, high = (min(numbers), max(numbers)) if numbers else (0.0, 1.0)
    room = (high - low) * margin or max(abs(high), 1e-3) * 0.1
    return (low if zero and low == 0 else low - room), (high if zero and high == 0 else high + room)


def tick_text(value: float) -> str:
    """A round value as it stands at an axis."""
    return f"{value:.6g}".replace("-", "−")


@dataclass
class Plot:
    """One panel: its axes, and what is drawn so far."""

    x: PlotAxis
    y: PlotAxis
    palette: Palette
    parts: list[str]

    @classmethod
    def frame(
        cls,
        palette: Palette,
        x: PlotAxis,
        y: PlotAxis,
        names: tuple[str, str],
        *,
        ticks_at: Sequence[tuple[float, str]] = (),
    ) -> Plot:
        """A panel with its axes, ticks and names; `ticks_at`: places and texts of ticks along x."""
        plot = cls(x, y, palette, [])
        hair, soft = palette.hair, palette.soft
        for value in y.ticks(5):
            up = y.place(value)
            plot.parts.append(path(f"M{x.begin:.1f} {up:.1f}H{x.end:.1f}", hair, 0.7))
            plot.parts.append(text(x.begin - 5, up + 4, tick_text(value), "end", fill=soft, font_size=SIZE))
        for value, name in ticks_at or [(value, tick_text(value)) for value in x.ticks(8)]:
            at = x.place(value)
            plot.parts.append(path(f"M{at:.1f} {y.begin:.1f}v4", soft, 0.8))
            plot.parts.append(text(at, y.begin + 16, name, "middle", fill=soft, font_size=SIZE))
        plot.parts.append(path(f"M{x.begin:.1f} {y.begin:.1f}H{x.end:.1f}", soft, 0.8))
        plot.parts.append(text(x.end, y.begin + 30, names[0], "end", fill=soft, font_size=SIZE))
        plot.parts.append(text(x.begin - 5, y.end - 7, names[1], "start", fill=soft, font_size=SIZE))
        return plot

    def line(
        self, xs: Sequence[Number], ys: Sequence[Number], color: str, width: float = 1.4, dash: str = ""
    ) -> None:
        """A line that breaks where a value is missing."""
        d, drawn = [], False
        for a, b in zip(xs, ys, strict=True):
            if a is None or b is None:
                drawn = False
                continue
            d.append(f"{'L' if drawn else 'M'}{self.x.place(a):.1f} {self.y.place(b):.1f}")
            drawn = True
        if d:
            self.parts.append(path("".join(d), color, width, dash, stroke_linejoin="round"))

    def band(self, xs: Sequence[Number], low: Sequence[Number], high: Sequence[Number], color: str) -> None:
        """The area between two lines, pale."""
        rows = [
            (x, a, b)
            for x, a, b in zip(xs, low, high, strict=True)
            if x is not None and a is not None and b is not None
        ]
        if not rows:
            return
        there = "L".join(f"{self.x.place(x):.1f} {self.y.place(b):.1f}" for x, _, b in rows)
        back = "L".join(f"{self.x.place(x):.1f} {self.y.place(a):.1f}" for x, a, _ in reversed(rows))
        self.parts.append(element("path", d=f"M{there}L{back}Z", fill=color, fill_opacity=0.18))

    def dots(
        self,
        xs: Sequence[Number],
        ys: Sequence[Number],
        color: str,
        radius: float = 2.6,
        *,
        hollow: bool = False,
    ) -> None:
        """A dot a pair; hollow ones have the ground inside."""
        for a, b in zip(xs, ys, strict=True):
            if a is not None and b is not None:
                fill = self.palette.sheet if hollow else color
                self.parts.append(
                    element(
                        "circle",
                        cx=self.x.place(a),
                        cy=self.y.place(b),
                        r=radius,
                        fill=fill,
                        stroke=color,
                        stroke_width=1.3,
                    )
                )

    def bracket(self, x: float, low: float, high: float, color: str) -> None:
        """An upright interval with ends."""
        at, a, b = self.x.place(x), self.y.place(low), self.y.place(high)
        self.parts.append(
            path(f"M{at:.1f} {a:.1f}V{b:.1f}M{at - 3:.1f} {a:.1f}h6M{at - 3:.1f} {b:.1f}h6", color, 1.2)
        )

    def flat_bracket(self, y: float, low: float, high: float, color: str) -> None:
        """A level interval with ends; `y` in points."""
        a, b = self.x.place(low), self.x.place(high)
        self.parts.append(
            path(f"M{a:.1f} {y:.1f}H{b:.1f}M{a:.1f} {y - 4:.1f}v8M{b:.1f} {y - 4:.1f}v8", color, 1.2)
        )

    def upright(self, x: float, color: str, dash: str = "3 3", name: str = "") -> None:
        """A line across the panel at a value of x."""
        at = self.x.place(x)
        self.parts.append(path(f"M{at:.1f} {self.y.begin:.1f}V{self.y.end:.1f}", color, 1.0, dash))
        if name:
            self.parts.append(text(at + 4, self.y.end + 11, name, fill=self.palette.ink, font_size=SIZE))

    def level(self, y: float, color: str, dash: str = "", name: str = "") -> None:
        """A line across the panel at a value of y."""
        at = self.y.place(y)
        self.parts.append(path(f"M{self.x.begin:.1f} {at:.1f}H{self.x.end:.1f}", color, 1.0, dash))
        if name:
            self.parts.append(text(self.x.end, at - 4, name, "end", fill=self.palette.ink, font_size=SIZE))

    def word(
        self, x: float, y: float, words: str, anchor: str = "start", *, bold: bool = False, above: float = 7.0
    ) -> None:
        """Lettering at a value of x and y, so many points above it."""
        weight = "bold" if bold else ""
        self.parts.append(
            text(
                self.x.place(x),
                self.y.place(y) - above,
                words,
                anchor,
                fill=self.palette.ink,
                font_size=SIZE,
                font_weight=weight,
            )
        )


def picture(parts: Iterable[str], height: float, label: str, palette: Palette, width: float = WIDTH) -> str:
    """A whole drawing, with a name for screen readers."""
    content = "".join(parts)
    return drawing(width, height, content, role="img", font_family=palette.font, aria_label=label)


Drawing = Callable[[Palette], str]
