"""The plan of the room: probes as measured points, a pale field between them, one arrow for the gradient.

The field is interpolated and says so: least-squares plane plus thin linear kernels through the
probes. The gradient is the plane T = a + g·x over the probes; its uncertainty is propagated from
the probes' own, as independent, since residuals of few probes say nothing (JCGM 100, 5.1).
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from logger.model import Room, Zone

from .theme import cividis
from .wording import age

Float = NDArray[np.float64]
PX_PER_M = 44.0
PAD = 14.0
CONDITION_LIMIT = 100.0
PROBES_NEEDED = 4
BAND_K = 0.05  # width of a band of equal colour
FAR_M = 3.0  # the field fades over this distance from the nearest probe
FADED = 0.25
SMOOTHING_M = 1.0  # probes nearer than about this share their difference


@dataclass(frozen=True)
class Spot:
    """A probe in the plan. value, U: degC and K (k = 2), None when there is no value; age in s."""

    probe: str
    name: str
    medium: str
    x_m: float
    y_m: float
    z_m: float
    value: float | None
    U: float | None
    age_s: float
    trusted: bool
    why: str = ""  # why it is not trusted, where that is not its age


@dataclass(frozen=True)
class Gradient:
    """Horizontal gradient in K/m along x and y, its size and the expanded uncertainty of the size."""

    gx: float
    gy: float
    size: float
    U: float


def air(spots: Sequence[Spot]) -> list[Spot]:
    """The spots that may say something of the air between them: a scale or a plate lags behind it."""
    return [s for s in spots if s.medium == "air" and s.trusted and s.value is not None and s.U is not None]


def gradient(spots: Sequence[Spot]) -> Gradient | None:
    """The horizontal part of the plane through the trusted air probes; None when they cannot give it.

    With all of them near one height the vertical term is left out. Condition number above 100
    (columns scaled to unit spread): no gradient.
    """
    used = air(spots)
    if len(used) < PROBES_NEEDED:
        return None
    xyz = np.array([[s.x_m, s.y_m, s.z_m] for s in used])
    centred = xyz - xyz.mean(axis=0)
    columns = centred if np.ptp(xyz[:, 2]) > 0.3 and len(used) >= 5 else centred[:, :2]
    matrix = np.column_stack([np.ones(len(used)), columns])
    if np.linalg.cond(matrix / np.maximum(np.abs(matrix).max(axis=0), 1e-12)) > CONDITION_LIMIT:
        return None
    inverse = np.linalg.pinv(matrix)
    values = np.array([s.value for s in used], dtype=float)
    u = np.array([(s.U or 0.0) / 2 for s in used])
    gx, gy = (inverse @ values)[1:3]
    size = math.hypot(gx, gy)
    direction = np.array([gx, gy]) / size if size > 0 else np.array([1.0, 0.0])
    u_size = math.sqrt(float(np.sum((direction @ inverse[1:3] * u) ** 2)))
    return Gradient(float(gx), float(gy), size, 2 * u_size)


def field(spots: Sequence[Spot], room: Room, cells: tuple[int, int] = (120, 80)) -> tuple[Float, Float]:
    """Interpolated temperature and fade (0..1) on a grid of `cells` = (nx, ny), rows from the wall y = 0.

    Linear kernels on a plane, held back a little so that two near probes cannot tilt the room.
    """
    used = air(spots)
    nx, ny = cells
    if len(used) < 3:
        return np.full((ny, nx), np.nan), np.zeros((ny, nx))
    at = np.array([[s.x_m, s.y_m] for s in used])
    values = np.array([s.value for s in used], dtype=float)
    x = (np.arange(nx) + 0.5) * room.size_m[0] / nx
    y = (np.arange(ny) + 0.5) * room.size_m[1] / ny
    nodes = np.column_stack([a.ravel() for a in np.meshgrid(x, y)])
    distance = np.linalg.norm(nodes[:, None] - at[None], axis=2)
    plane, rest = _plane(at, values)
    weight = _kernel_weights(at, rest)
    smooth = np.column_stack([np.ones(len(nodes)), nodes]) @ plane + weight[-1] - distance @ weight[:-1]
    held = np.clip(smooth, values.min() - 0.1, values.max() + 0.1)  # beyond the probes nothing is known
    fade = np.clip(1.0 - (distance.min(axis=1) - 1.0) / FAR_M, FADED, 1.0)
    return held.reshape(ny, nx), fade.reshape(ny, nx)


def _kernel_weights(at: Float, rest: Float) -> Float:
    """Weights of the kernels −|r| whose sum is zero, and a constant: what the plane left, smoothed."""
    n = len(at)
    system = np.zeros((n + 1, n + 1))
    system[:n, :n] = SMOOTHING_M * np.eye(n) - np.linalg.norm(at[:, None] - at[None], axis=2)
    system[:n, n] = system[n, :n] = 1.0
    return np.asarray(np.linalg.solve(system, np.append(rest, 0.0)))


def _plane(at: Float, values: Float) -> tuple[Float, Float]:
    """A plane that is held back (ridge), so that three probes in a row cannot tilt it; and what it leaves."""
    middle = at.mean(axis=0)
    matrix = at - middle
    slope = np.linalg.solve(matrix.T @ matrix + 0.5 * np.eye(2), matrix.T @ (values - values.mean()))
    plane = np.array([values.mean() - middle @ slope, *slope])
    return plane, values - np.column_stack([np.ones(len(at)), at]) @ plane


def field_png(temperature: Float, fade: Float, low: float, high: float) -> str:
    """The field as a small RGBA picture, base64; row 0 at the top is the wall at y = size.

    Bands of equal colour with a darker edge between them: the shape of the field, as contour lines tell it.
    """
    ny, nx = temperature.shape
    if not np.isfinite(temperature).all():
        picture = np.zeros((ny, nx, 4), np.uint8)
    else:
        band = np.floor(temperature / BAND_K)
        share = ((band + 0.5) * BAND_K - low) / (high - low)
        colours = np.array([cividis(i / 255) for i in range(256)], np.uint8)
        rgb = colours[np.clip(np.rint(share * 255), 0, 255).astype(int)]
        picture = np.dstack([rgb, np.rint(255 * fade).astype(np.uint8)])
        edge = np.zeros((ny, nx), bool)
        edge[:, 1:] |= band[:, 1:] != band[:, :-1]
        edge[1:] |= band[1:] != band[:-1]
        picture[edge, :3] = (picture[edge, :3] * 0.55).astype(np.uint8)
    rows = np.concatenate([np.zeros((ny, 1), np.uint8), picture[::-1].reshape(ny, nx * 4)], axis=1).tobytes()
    header = struct.pack(">IIBBBBB", nx, ny, 8, 6, 0, 0, 0)
    parts = ((b"IHDR", header), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    return base64.b64encode(b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in parts)).decode()


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def plan(room: Room, zones: Sequence[Zone], spots: Sequence[Spot], low: float, high: float) -> str:
    """The plan as SVG text: x to the right, y upwards, the colour range fixed at low..high degC."""
    width, height = room.size_m[0] * PX_PER_M, room.size_m[1] * PX_PER_M
    found = gradient(spots)
    temperature, fade = field(spots, room)
    picture = field_png(temperature, fade, low, high)
    parts = [
        f'<image class="plan-field" x="{PAD}" y="{PAD}" width="{width}" height="{height}" '
        f'preserveAspectRatio="none" href="data:image/png;base64,{picture}"/>',
        _walls(room, width, height),
        *(_zone(room, zone) for zone in zones),
        _arrow(room, found, len(air(spots))),
        *_labels(room, spots),
        _key(width, height, low, high),
    ]
    return (
        f'<svg class="plan" viewBox="0 0 {width + 2 * PAD} {height + 2 * PAD + 26}" role="img" '
        f'aria-label="{escape(words(spots, found), quote=True)}">{"".join(parts)}</svg>'
    )


def words(spots: Sequence[Spot], found: Gradient | None) -> str:
    """What the plan shows, for a screen reader."""
    told = [
        f"{s.probe} {s.name} {s.value:.2f} °C" if s.value is not None and s.trusted else f"{s.probe} {s.name}: no value that can be trusted"
        for s in spots
    ]
    return f"Plan of the room. {'; '.join(told)}. {gradient_words(found)}"


def gradient_words(found: Gradient | None) -> str:
    """The gradient with its uncertainty, or that the probes do not show it."""
    if found is None:
        return "Horizontal gradient: not shown by these probes."
    return f"Horizontal gradient {found.size:.2f} ± {found.U:.2f} K/m" + ("." if found.size > found.U else ": no direction shown.")


def _px(room: Room, x_m: float, y_m: float) -> tuple[float, float]:
    return round(PAD + x_m * PX_PER_M, 1), round(PAD + (room.size_m[1] - y_m) * PX_PER_M, 1)


def _walls(room: Room, width: float, height: float) -> str:
    walls = f'<rect class="plan-wall" x="{PAD}" y="{PAD}" width="{width}" height="{height}"/>'
    if room.door_m is None:
        return walls
    (x0, y0), (x1, y1) = _px(room, *room.door_m[:2]), _px(room, *room.door_m[2:])
    inward = -6 if x0 > PAD + width / 2 else 6
    return walls + (
        f'<path class="plan-door" d="M{x0} {y0}L{x1} {y1}"/>'
        f'<text class="plan-small" x="{x0 + inward}" y="{(y0 + y1) / 2 + 4}" text-anchor="{"end" if inward < 0 else "start"}">door</text>'
    )


def _zone(room: Room, zone: Zone) -> str:
    x0, y0, x1, y1 = zone.outline_m
    left, top = _px(room, x0, y1)
    return (
        f'<rect class="plan-zone" x="{left}" y="{top}" width="{(x1 - x0) * PX_PER_M:.1f}" height="{(y1 - y0) * PX_PER_M:.1f}"/>'
        f'<text class="plan-small" x="{left + 5}" y="{top + (y1 - y0) * PX_PER_M - 6:.1f}">{escape(zone.name)}</text>'
    )


def _arrow(room: Room, found: Gradient | None, probes: int) -> str:
    """The arrow points to the warm side; a gradient smaller than its U has no direction and gets no arrow."""
    x, y = _px(room, room.size_m[0] * 0.75, room.size_m[1] * 0.68)
    if found is None:
        few = f"{probes} of {PROBES_NEEDED} air probes" if probes < PROBES_NEEDED else "badly placed probes"
        return (
            f'<text class="plan-small" x="{x}" y="{y - 12}" text-anchor="middle">gradient not shown:</text>'
            f'<text class="plan-small" x="{x}" y="{y + 3}" text-anchor="middle">{few}</text>'
        )
    text = f"{found.size:.2f} ± {found.U:.2f} K/m"
    label = _boxed(x, y - 26, text, "middle", "plan-gradient")
    if found.size <= found.U:
        return label
    dx, dy = found.gx / found.size, -found.gy / found.size
    x0, y0, x1, y1 = x - 26 * dx, y - 26 * dy, x + 26 * dx, y + 26 * dy
    left, right = (x1 - 9 * dx - 5 * dy, y1 - 9 * dy + 5 * dx), (x1 - 9 * dx + 5 * dy, y1 - 9 * dy - 5 * dx)
    head = f"M{x1:.1f} {y1:.1f}L{left[0]:.1f} {left[1]:.1f}L{right[0]:.1f} {right[1]:.1f}z"
    return f'<path class="plan-arrow" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/><path class="plan-head" d="{head}"/>{label}'


def _boxed(x: float, y: float, text: str, anchor: str, css: str) -> str:
    width = len(text) * 6.7 + 8
    left = x - width / 2 if anchor == "middle" else x - width if anchor == "end" else x
    return (
        f'<rect class="plan-box" x="{left:.1f}" y="{y - 12:.1f}" width="{width:.1f}" height="16"/>'
        f'<text class="{css}" x="{left + 4:.1f}" y="{y:.1f}">{escape(text)}</text>'
    )


def _labels(room: Room, spots: Sequence[Spot]) -> list[str]:
    """Points with their values; a label that would cover another moves down."""
    parts, taken = [], list[tuple[float, float]]()
    for spot in sorted(spots, key=lambda s: -s.y_m):
        x, y = _px(room, spot.x_m, spot.y_m)
        text = _spot_text(spot)
        right = x + 10 + len(text) * 6.9 + 8 < PAD + room.size_m[0] * PX_PER_M + 6
        label_y = y + 4
        while any(abs(label_y - other_y) < 17 and abs(x - other_x) < 105 for other_x, other_y in taken):
            label_y += 17
        taken.append((x, label_y))
        parts += [_point(spot, x, y), _boxed(x + 9 if right else x - 9, label_y, text, "start" if right else "end", "plan-value")]
    return parts


def _spot_text(spot: Spot) -> str:
    if spot.value is None:
        return f"{spot.probe} no value"
    if spot.trusted or spot.why:
        return f"{spot.probe} {spot.value:.2f}"
    return f"{spot.probe} {age(spot.age_s)} old"


def _point(spot: Spot, x: float, y: float) -> str:
    if spot.trusted and spot.value is not None:
        return f'<circle class="plan-probe" cx="{x}" cy="{y}" r="5"/>'
    return f'<path class="plan-out" d="M{x - 5} {y - 5}l10 10M{x + 5} {y - 5}l-10 10"/>'


def _key(width: float, height: float, low: float, high: float) -> str:
    """The colour range under the plan, with the word that says what it is."""
    y = PAD + height + 12
    cells = "".join(
        f'<rect class="plan-field" x="{PAD + 60 + i * 6}" y="{y}" width="6.2" height="9" fill="rgb{cividis(i / 17)}"/>'
        for i in range(18)
    )
    return (
        f'<text class="plan-small" x="{PAD + 54}" y="{y + 9}" text-anchor="end">≤ {low:g}</text>{cells}'
        f'<text class="plan-small" x="{PAD + 60 + 18 * 6 + 6}" y="{y + 9}">≥ {high:g} °C</text>'
        f'<text class="plan-small" x="{PAD + width}" y="{y + 9}" text-anchor="end">air between probes: interpolated</text>'
    )
