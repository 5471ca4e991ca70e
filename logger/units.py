"""Quantities and units. Values are converted once, at the edge; inside, each quantity has one unit.

Judging compares whole numbers: values are rounded half to even to a millionth of the
canonical unit (`micro`), so that no machine differs from another in a last bit.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import UnitError

MICRO = 1_000_000


@dataclass(frozen=True)
class Unit:
    """canonical = value · factor + offset; a difference takes the factor alone."""

    factor: float
    offset: float = 0.0


@dataclass(frozen=True)
class Quantity:
    """A scalar quantity: its canonical unit, the unit of its differences, the units that it accepts."""

    name: str
    unit: str
    difference_unit: str
    units: Mapping[str, Unit]


def _quantity(name: str, unit: str, difference_unit: str | None = None, **others: Unit) -> Quantity:
    return Quantity(name, unit, difference_unit or unit, MappingProxyType({unit: Unit(1.0), **others}))


_TEMPERATURE = {
    "degF": Unit(5 / 9, -160 / 9),  # 20 degC is 68 degF: common practice, no source
    "K": Unit(1.0, -273.15),
}

# NIST SP 811 (2008), appendix B.8: conventional millimetre and inch of mercury, torr, pound-force per
# square inch; foot and cubic foot there too.
_PRESSURE = {
    "mmHg": Unit(133.3224),
    "inHg": Unit(3386.389),
    "Torr": Unit(101_325 / 760),
    "psi": Unit(6894.757),
}

QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        q.name: q
        for q in (
            _quantity("temperature", "degC", "K", **_TEMPERATURE),
            _quantity("dew_point", "degC", "K", **_TEMPERATURE),
            _quantity("relative_humidity", "%RH", None, **{"%": Unit(1.0), "1": Unit(100.0)}),
            _quantity(
                "pressure",
                "Pa",
                None,
                hPa=Unit(100.0),
                mbar=Unit(100.0),
                kPa=Unit(1000.0),
                MPa=Unit(1e6),
                bar=Unit(1e5),
                **_PRESSURE,
            ),
            _quantity("absolute_humidity", "g/m3"),
            # (n − 1)·1e6: in millionths, as one of them is a micrometre per metre of laser path.
            _quantity("refractivity", "1e-6", None, **{"1": Unit(1e6)}),
            _quantity("air_density", "kg/m3"),
            _quantity("co2", "ppm"),
            _quantity("particle_count", "1/m3", None, **{"1/L": Unit(1000.0), "1/ft3": Unit(1 / 0.3048**3)}),
            _quantity("air_speed", "m/s", None, **{"km/h": Unit(1 / 3.6), "ft/min": Unit(0.3048 / 60)}),
            _quantity("illuminance", "lx"),
            _quantity("state", "1"),  # a door, the air handling, the lights: 0 or 1
        )
    }
)

# How people and instruments write the units above. Letters that alone could be another unit: as they are.
_LETTERS: Mapping[str, str] = MappingProxyType({"C": "degC", "F": "degF"})
# All other spellings: small letters, no blanks or points, plain characters (Unicode's NFKC).
_SPELLINGS: Mapping[str, str] = MappingProxyType(
    {
        word: unit
        for unit, words in {
            "degC": "°c degc cel celsius gradc gradcelsius degreec degreesc degcelsius degreecelsius "
            "degreescelsius",
            "degF": "°f degf fahrenheit degreef degreesf degfahrenheit degreesfahrenheit",
            "K": "kelvin",
            "%RH": "%rh %rf %hr %ur rh% rf% hr% ur%",
            "hPa": "hpa", "kPa": "kpa", "Pa": "pa", "mbar": "mbar mb", "bar": "bar", "psi": "psi",
            "mmHg": "mmhg", "inHg": "inhg inchhg inchesofmercury", "Torr": "torr", "MPa": "megapascal",
            "lx": "lx lux", "ppm": "ppm", "m/s": "m/s", "g/m3": "g/m3", "1/m3": "1/m3", "1/L": "1/l",
        }.items()
        for word in words.split()
    }
)  # fmt: skip
_SIGNS = str.maketrans({"º": "°", "˚": "°"})  # other characters that are typed for the sign of degrees


def quantity(name: str) -> Quantity:
    """The quantity of that name; UnitError, with the known names, where there is none."""
    try:
        return QUANTITIES[name]
    except KeyError:
        raise UnitError(f"There is no quantity {name!r}; known are {', '.join(QUANTITIES)}.") from None


def unit_name(text: str) -> str:
    """The name of a unit from how people and instruments write it, or the text itself.

    >>> unit_name("°C"), unit_name("hPa"), unit_name("r. F. %"), unit_name("mPa")
    ('degC', 'hPa', '%RH', 'mPa')
    """
    stripped = text.strip()
    if stripped in _LETTERS:
        return _LETTERS[stripped]
    plain = unicodedata.normalize("NFKC", stripped.translate(_SIGNS)).casefold()
    return _SPELLINGS.get("".join(plain.replace(".", "").split()), stripped)


@lru_cache(maxsize=256)
def _unit(of: str, unit: str) -> Unit:
    units = quantity(of).units
    try:
        return units[unit_name(unit)]
    except KeyError:
        raise UnitError(f"{unit!r} is no unit of {of}; expected one of {', '.join(units)}.") from None


def to_canonical(value: ArrayLike, unit: str, of: str) -> NDArray[np.float64]:
    """Values of quantity `of`, given in `unit`, in its canonical unit. Any shape.

    >>> float(to_canonical(68.0, "degF", "temperature").round(9))
    20.0
    >>> float(to_canonical(101.325, "kPa", "pressure"))
    101325.0
    """
    u = _unit(of, unit)
    return np.asarray(value, dtype=np.float64) * u.factor + u.offset


def difference_to_canonical(value: ArrayLike, unit: str, of: str) -> NDArray[np.float64]:
    """A difference, an error or an uncertainty: the factor without the offset.

    >>> float(difference_to_canonical(1.8, "degF", "temperature").round(9))
    1.0
    """
    return np.asarray(value, dtype=np.float64) * _unit(of, unit).factor


def from_canonical(value: ArrayLike, unit: str, of: str) -> NDArray[np.float64]:
    """Inverse of `to_canonical`."""
    u = _unit(of, unit)
    return (np.asarray(value, dtype=np.float64) - u.offset) / u.factor


def micro(value: ArrayLike) -> NDArray[np.int64]:
    """Whole millionths of the canonical unit, rounded half to even; values must be finite.

    >>> int(micro(20.0000005)), int(micro(-0.1))
    (20000000, -100000)
    """
    return np.rint(np.asarray(value, dtype=np.float64) * MICRO).astype(np.int64)


def from_micro(value: ArrayLike) -> NDArray[np.float64]:
    """Millionths as a float, for display only."""
    return np.asarray(value, dtype=np.float64) / MICRO
