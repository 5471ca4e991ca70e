"""The plan of the room as SVG: probes as measured points, the pale field of `field`, one arrow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from html import escape

from logger.model import Room, Zone

from ..data.spots import Spot
from ..data.words import age, figure, to_read_unit, unit
from .field import PROBES_NEEDED, Gradient, air, field, field_png, gradient
from .theme import cividis

PX = 396.0  # along x, in a room of any size: letters have theirs, and the key below must not overlap
MOST_PX_Y = 560.0
PAD = 14.0
Box = tuple[float, float, float, float]  # left, top, right, bottom
Place = tuple[tuple[float, float, str], Box]  # of a label: x, y and anchor; and what it covers
LETTER = 9.0  # px of a letter on a phone, where they are drawn larger (assets/stillroom.css)


def plan(room: Room, zones: Sequence[Zone], spots: Sequence[Spot], low: float, high: float) -> str:
    """The plan as SVG text: x to the right, y upwards, the colour range fixed at low..high degC."""
    width, height = room.size_m[0] * _scale(room), room.size_m[1] * _scale(room)
    gradient_ = gradient(spots)
    picture = _field_picture(room, _for_the_eye(spots), low, high)
    parts = [
        f'<image class="plan-field" x="{PAD}" y="{PAD}" width="{width}" height="{height}" '
        f'preserveAspectRatio="none" href="data:image/png;base64,{picture}"/>',
        _walls(room, width, height),
        *(_zone(room, zone) for zone in zones),
        _arrow(room, gradient_),
        *_labels(room, spots),
        _key(height, low, high, _why_no_gradient(gradient_, len(air(spots)))),
    ]
    return (
        f'<svg class="plan" viewBox="0 0 {max(width, PX) + 2 * PAD} {height + 2 * PAD + 56}" role="img" '
        f'aria-label="{escape(words(spots, gradient_), quote=True)}">{"".join(parts)}</svg>'
    )


@lru_cache(maxsize=16)
def _field_picture(room: Room, spots: tuple[Spot, ...], low: float, high: float) -> str:
    """The field as base64 of a PNG: the same for all who look, and until a value moves by 0.01 K."""
    return field_png(*field(spots, room), low, high)


def _for_the_eye(spots: Sequence[Spot]) -> tuple[Spot, ...]:
    """What the picture depends on: the air probes to 0.01 K; a band of equal colour is 0.05 K wide."""
    return tuple(replace(s, value=round(s.value or 0.0, 2), age_s=0.0) for s in air(spots))


def words(spots: Sequence[Spot], gradient_: Gradient | None) -> str:
    """What the plan shows, for a screen reader."""
    labels = [
        f"{s.probe} {s.name} {figure(s.value, 'degC')}"
        if s.value is not None and s.trusted
        else f"{s.probe} {s.name}: no usable value"
        for s in spots
    ]
    return f"Plan of the room. {'; '.join(labels)}. {gradient_words(gradient_)}"


def gradient_words(gradient_: Gradient | None) -> str:
    """The gradient with its uncertainty, or that the probes do not show it."""
    if gradient_ is None:
        return "Horizontal gradient: not shown."
    return f"Horizontal gradient {figure(gradient_.size, 'K/m', gradient_.U)}" + (
        "." if gradient_.size > gradient_.U else ": no direction shown."
    )


def _scale(room: Room) -> float:
    """Pixels of a metre, the same along x and y."""
    return min(PX / room.size_m[0], MOST_PX_Y / room.size_m[1])


def _px(room: Room, x_m: float, y_m: float) -> tuple[float, float]:
    scale = _scale(room)
    return round(PAD + x_m * scale, 1), round(PAD + (room.size_m[1] - y_m) * scale, 1)


def _walls(room: Room, width: float, height: float) -> str:
    walls = f'<rect class="plan-wall" x="{PAD}" y="{PAD}" width="{width}" height="{height}"/>'
    if room.door_m is None:
        return walls
    (x0, y0), (x1, y1) = _px(room, *room.door_m[:2]), _px(room, *room.door_m[2:])
    inward = -6 if x0 > PAD + width / 2 else 6
    door = f'<path class="plan-door" d="M{x0} {y0}L{x1} {y1}"/>'
    return walls + door + _text(x0 + inward, (y0 + y1) / 2 + 4, "door", "end" if inward < 0 else "start")


def _zone(room: Room, zone: Zone) -> str:
    x0, y0, x1, y1 = zone.outline_m
    left, top = _px(room, x0, y1)
    width, height = (x1 - x0) * _scale(room), (y1 - y0) * _scale(room)
    outline = f'<rect class="plan-zone" x="{left}" y="{top}" width="{width:.1f}" height="{height:.1f}"/>'
    return outline + _text(left + 5, top + height - 6, zone.name)


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text class="plan-small" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _why_no_gradient(gradient_: Gradient | None, probes: int) -> str:
    """Why no gradient is drawn; said below the plan, where it covers no probe."""
    if gradient_ is not None:
        return ""
    if probes < PROBES_NEEDED:
        return f"gradient not shown: {probes} of {PROBES_NEEDED} air probes"
    return "gradient not shown: probe positions do not allow it"


def _arrow(room: Room, gradient_: Gradient | None) -> str:
    """The arrow points to the warm side; a gradient smaller than its U has no direction and gets no arrow."""
    if gradient_ is None:
        return ""
    x, y = _px(room, room.size_m[0] * 0.75, room.size_m[1] * 0.68)
    text = figure(gradient_.size, "K/m", gradient_.U)
    label = _haloed(x, y - 26, text, "middle", "plan-gradient")
    if gradient_.size <= gradient_.U:
        return label
    dx, dy = gradient_.gx / gradient_.size, -gradient_.gy / gradient_.size
    x0, y0, x1, y1 = x - 26 * dx, y - 26 * dy, x + 26 * dx, y + 26 * dy
    left, right = (x1 - 9 * dx - 5 * dy, y1 - 9 * dy + 5 * dx), (x1 - 9 * dx + 5 * dy, y1 - 9 * dy - 5 * dx)
    head = f"M{x1:.1f} {y1:.1f}L{left[0]:.1f} {left[1]:.1f}L{right[0]:.1f} {right[1]:.1f}z"
    shaft = f'<path class="plan-arrow" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/>'
    return f'{shaft}<path class="plan-head" d="{head}"/>{label}'


def _haloed(x: float, y: float, text: str, anchor: str, css: str) -> str:
    aside = {"start": 3, "end": -3}.get(anchor, 0)
    return f'<text class="{css}" x="{x + aside:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _labels(room: Room, spots: Sequence[Spot]) -> list[str]:
    """Points with their values; a label that would cover another, or a point, moves."""
    points = {spot.probe: _px(room, spot.x_m, spot.y_m) for spot in spots}
    parts, boxes = list[str](), list[Box]()
    for spot in sorted(spots, key=lambda s: -s.y_m):
        (x, y), text = points[spot.probe], _spot_text(spot)
        others = [at for probe, at in points.items() if probe != spot.probe]
        places = _label_places(room, x, y, len(text) * LETTER)
        free = [p for p in places if not _covers(p[1], boxes, others)]
        (label_x, label_y, anchor), box = (free or [_below(places[0], boxes)])[0]
        boxes.append(box)
        parts += [_point(spot, x, y), _haloed(label_x, label_y, text, anchor, "plan-value")]
    return parts


def _label_places(room: Room, x: float, y: float, width: float) -> list[Place]:
    """Where the label of a point may stand, the best first: beside it, then lower, then higher."""
    end = PAD + room.size_m[0] * _scale(room) + 6
    sides = (("start", x + 9, x + 9), ("end", x - 9, x - 9 - width))
    level = [s for s in sides if s[2] >= PAD and s[2] + width < end] or [sides[0]]
    return [
        ((at, y + 4 + down, anchor), (left, y - 8 + down, left + width, y + 8 + down))
        for down in (0, 19, -19)
        for anchor, at, left in level
    ]


def _covers(box: Box, boxes: Sequence[Box], points: Sequence[tuple[float, float]]) -> bool:
    left, top, right, bottom = box
    over_label = any(
        left < other[2] and right > other[0] and top < other[3] and bottom > other[1] for other in boxes
    )
    return over_label or any(left - 6 < x < right + 6 and top - 3 < y < bottom + 3 for x, y in points)


def _below(place: Place, boxes: Sequence[Box]) -> Place:
    """The place moved down until it covers no label: many points in one corner."""
    while _covers(place[1], boxes, ()):
        (x, y, anchor), (left, top, right, bottom) = place
        place = (x, y + 19, anchor), (left, top + 19, right, bottom + 19)
    return place


def _spot_text(spot: Spot) -> str:
    if spot.value is None:
        return f"{spot.probe} no value"
    if spot.trusted or spot.why:
        return f"{spot.probe} {to_read_unit(spot.value, 'degC')[0]:.2f}"
    return f"{spot.probe} {age(spot.age_s)} old"


def _point(spot: Spot, x: float, y: float) -> str:
    if spot.trusted and spot.value is not None:
        return f'<circle class="plan-probe" cx="{x}" cy="{y}" r="5"/>'
    return f'<path class="plan-out" d="M{x - 5} {y - 5}l10 10M{x + 5} {y - 5}l-10 10"/>'


def _key(height: float, low: float, high: float, note: str) -> str:
    """The colour range under the plan, with the word that says what it is, and a note."""
    left, y = PAD + 50, PAD + height + 12
    cells = "".join(
        f'<rect class="plan-field" x="{left + i * 6}" y="{y}" width="6.2" height="9" '
        f'fill="rgb{cividis(i / 11)}"/>'
        for i in range(12)
    )
    return (
        _text(left - 6, y + 9, f"≤ {to_read_unit(low, 'degC')[0]:.5g}", "end")
        + cells
        + _text(left + 12 * 6 + 6, y + 9, f"≥ {to_read_unit(high, 'degC')[0]:.5g} {unit('degC')}")
        + _text(PAD, y + 28, "air between probes: interpolated")
        + (_text(PAD, y + 46, note) if note else "")
    )
