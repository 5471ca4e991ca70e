"""What lies between the probes: the gradient over them, and a field that is interpolated and says so.

The gradient is the plane T = a + g·x over the air probes; its uncertainty is propagated from the
probes' own, as independent, since residuals of few probes say nothing. The field is that plane with
linear kernels through the probes, for the eye only.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.model import Room
from logger.series import Float

from ..data.spots import Spot
from .theme import cividis

CONDITION_LIMIT = 100.0
PROBES_NEEDED = 4
BAND_K = 0.05  # width of a band of equal colour
FAR_M = 3.0  # the field fades over this distance from the nearest probe
FADED = 0.25
SMOOTHING_M = 1.0  # probes nearer than about this share their difference


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


def field(spots: Sequence[Spot], room: Room, cells: tuple[int, int] = (240, 160)) -> tuple[Float, Float]:
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
    bounded = np.clip(smooth, values.min() - 0.1, values.max() + 0.1)  # beyond the probes nothing is known
    fade = np.clip(1.0 - (distance.min(axis=1) - 1.0) / FAR_M, FADED, 1.0)
    return bounded.reshape(ny, nx), fade.reshape(ny, nx)


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
    return base64.b64encode(
        b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in parts)
    ).decode()


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
