"""The keys of a limit: `span_1h_K` says a span, over one hour, in kelvin."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

from ..model import RuleKind
from ..units import QUANTITIES, difference_to_canonical, to_canonical

Direction = Literal["", "vertical", "horizontal", "pair"]

# How units stand in keys, where TOML allows letters, digits, - and _ alone: unit, usual quantity.
_UNITS: Mapping[str, tuple[str, str]] = {
    "degC": ("degC", "temperature"),
    "degF": ("degF", "temperature"),
    "K": ("K", "temperature"),
    "percent_RH": ("%RH", "relative_humidity"),
    "Pa": ("Pa", "pressure"),
    "hPa": ("hPa", "pressure"),
    "kPa": ("kPa", "pressure"),
    "ppm": ("ppm", "co2"),
    "m_per_s": ("m/s", "air_speed"),
    "lx": ("lx", "illuminance"),
    "per_m3": ("1/m3", "particle_count"),
    "g_per_m3": ("g/m3", "absolute_humidity"),
    "kg_per_m3": ("kg/m3", "air_density"),
    "per_million": ("1e-6", "refractivity"),
}
_UNIT = "|".join(sorted(_UNITS, key=len, reverse=True))
_FORMS = tuple(
    re.compile(form)
    for form in (
        rf"(?P<side>lower|upper)_(?P<unit>{_UNIT})",
        rf"(?P<kind>span)_(?P<n>\d+)(?P<of>s|min|h)_(?P<unit>{_UNIT})",
        rf"(?P<kind>slope)_(?P<n>\d+)(?P<of>s|min|h)_(?P<unit>{_UNIT})_per_h",
        rf"(?P<kind>gradient)_(?P<direction>vertical|horizontal|pair)_(?P<unit>{_UNIT})_per_m",
        rf"gradient_(?P<kind>plane)(_(?P<direction>vertical|horizontal))?_(?P<unit>{_UNIT})_per_m",
        rf"(?P<kind>difference|spread)_(?P<unit>{_UNIT})",
        r"(?P<kind>condensation)_margin_(?P<unit>K)",
        r"(?P<surface>surface_humidity)_(?P<unit>percent_RH)",
        r"(?P<kind>bending)_(?P<unit>um)",
    )
)
_SECONDS = {"s": 1, "min": 60, "h": 3600}
_ABSOLUTE = ("limit",)
_PER = {"slope": "/h", "gradient": "/m", "plane": "/m"}

# Offered when an unknown key comes near to one of them.
COMMON_KEYS = (
    "lower_degC", "upper_degC", "lower_percent_RH", "upper_percent_RH", "lower_hPa", "upper_hPa",
    "span_1h_K", "span_24h_K", "slope_1h_K_per_h", "gradient_vertical_K_per_m",
    "gradient_horizontal_K_per_m", "gradient_pair_K_per_m", "gradient_plane_vertical_K_per_m",
    "gradient_plane_horizontal_K_per_m", "spread_K", "difference_K", "condensation_margin_K",
    "surface_humidity_percent_RH", "bending_um",
)  # fmt: skip


@dataclass(frozen=True)
class Limit:
    """What the keys of one rule's limit say; bounds in `unit`, the canonical one of the kind."""

    kind: RuleKind
    quantity: str
    unit: str
    lower: float | None
    upper: float | None
    window_s: int = 0
    direction: Direction = ""

    @property
    def name(self) -> str:
        """As printed: "temperature", "span in 1 h", "vertical gradient"."""
        of = "" if self.quantity == "temperature" else f" of {self.quantity.replace('_', ' ')}"
        if self.kind == "limit":
            return self.quantity.replace("_", " ")
        if self.kind in ("span", "slope"):
            return f"{self.kind}{of} in {_duration(self.window_s)}"
        if self.kind == "gradient":
            along = self.direction == "pair"
            return f"gradient{of} along the pair" if along else f"{self.direction} gradient{of}"
        if self.kind == "plane":
            return f"{self.direction} gradient{of} of the plane".strip()
        if self.kind == "condensation":
            return "condensation margin" if self.unit == "K" else "humidity at surfaces"
        return "bending of the plate" if self.kind == "bending" else f"{self.kind}{of}"


def is_limit_key(key: str) -> bool:
    """Whether a key states a limit.

    >>> is_limit_key("span_1h_K"), is_limit_key("gradient_vertical_K_per_m"), is_limit_key("basis")
    (True, True, False)
    """
    return _match(key) is not None


def limit_of(values: Mapping[str, float], quantity: str | None) -> Limit:
    """The limit that a rule's keys state together; ValueError says what does not fit.

    >>> limit_of({"lower_degC": 19.5, "upper_degC": 20.5}, None).lower
    19.5
    >>> limit_of({"span_24h_K": 1.0}, None).name
    'span in 24 h'
    >>> limit_of({"surface_humidity_percent_RH": 80.0}, None).name
    'humidity at surfaces'
    """
    matches = {key: cast(re.Match[str], _match(key)).groupdict() for key in values}
    kinds = {_kind(parts) for parts in matches.values()}
    if not kinds:
        raise ValueError("no limit")
    if len(kinds) > 1 or (kinds != {"limit"} and len(values) > 1):
        raise ValueError(f"{len(values)} limits of different kinds: {', '.join(values)}")
    kind = cast(RuleKind, kinds.pop())
    (key, parts), *_ = matches.items()
    if kind == "condensation":
        return _condensation(parts["unit"], values[key], quantity)
    if kind == "bending":
        return _bending(values[key], quantity)
    of = quantity or _UNITS[parts["unit"]][1]
    if of not in QUANTITIES:
        raise ValueError(f"the unknown quantity {of!r}")
    bounds = [(p.get("side"), _canonical(kind, values[k], p["unit"], of)) for k, p in matches.items()]
    if len({side for side, _ in bounds}) < len(bounds):
        raise ValueError(f"one side stated twice: {', '.join(values)}")
    lower, upper = _bounds(kind, dict(bounds))
    window_s = int(parts["n"]) * _SECONDS[parts["of"]] if parts.get("n") else 0
    if kind in ("span", "slope") and window_s == 0:
        raise ValueError(f"an empty window in {key}")
    direction = cast(Direction, parts.get("direction") or "")
    return Limit(kind, of, _unit(kind, of), lower, upper, window_s, direction)


def _kind(parts: Mapping[str, str | None]) -> str:
    return "condensation" if parts.get("surface") else parts.get("kind") or "limit"


def _condensation(unit: str, value: float, quantity: str | None) -> Limit:
    """In K the margin above the dew point, at least; in %RH the humidity at the surface, at most."""
    if quantity not in (None, "temperature"):
        raise ValueError(f"the quantity {quantity!r}, where surfaces are named by their temperature")
    lower, upper = (value, None) if unit == "K" else (None, value)
    return Limit("condensation", "temperature", _UNITS[unit][0], lower, upper)


def _bending(value: float, quantity: str | None) -> Limit:
    """In µm, either way: a plate that is warmer on top is convex, one that is colder there concave."""
    if quantity not in (None, "temperature"):
        raise ValueError(f"the quantity {quantity!r}, where a plate bends by temperature")
    return Limit("bending", "temperature", "um", -value, value)


def _bounds(kind: str, sides: Mapping[str | None, float]) -> tuple[float | None, float | None]:
    if kind == "limit":
        return sides.get("lower"), sides.get("upper")
    value = sides[None]
    # A slope and a difference have a sign: the limit holds in both directions.
    return (-value, value) if kind in ("slope", "difference") else (None, value)


def _canonical(kind: str, value: float, key_unit: str, quantity: str) -> float:
    convert = to_canonical if kind in _ABSOLUTE else difference_to_canonical
    # Converting rounds in the last bit; a limit is what a person wrote, so twelve digits are kept.
    return round(float(convert(value, _UNITS[key_unit][0], quantity)), 12)


def _unit(kind: str, quantity: str) -> str:
    if kind in _ABSOLUTE:
        return QUANTITIES[quantity].unit
    return QUANTITIES[quantity].difference_unit + _PER.get(kind, "")


def _match(key: str) -> re.Match[str] | None:
    return next((m for form in _FORMS if (m := form.fullmatch(key))), None)


def _duration(seconds: int) -> str:
    for size, name in ((3600, "h"), (60, "min")):
        if seconds % size == 0:
            return f"{seconds // size} {name}"
    return f"{seconds} s"
