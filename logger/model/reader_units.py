"""Temperatures for people who read °F: values with their zero point, differences without it.

What is stored and judged stays in °C and K. A difference of 1 K is one of 1.8 °F, never of 33.8.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

# Canonical unit -> as printed for those who read °F.
FAHRENHEIT: Mapping[str, str] = {"degC": "°F", "K": "°F", "K/m": "°F/m", "K/h": "°F/h"}
NOTE = (
    "in °F, differences as differences: 1 K is 1.8 °F. Judged in °C and K. Certificates and the basis of "
    "limits stand as they were written."
)
_PER_K = 1.8
_FIGURE = re.compile(
    r"(?P<value>[-−]?\d+(?:\.\d+)?)(?: ± (?P<U>\d+(?:\.\d+)?))? (?P<unit>°C|K/m|K/h|K)(?![\w·])"
)


def value_in_fahrenheit(value: float, unit: str) -> tuple[float, str]:
    """A value in °F and its unit as printed; of another quantity as it is.

    >>> value_in_fahrenheit(20.0, "degC"), value_in_fahrenheit(1.0, "K"), value_in_fahrenheit(48.0, "%RH")
    ((68.0, '°F'), (1.8, '°F'), (48.0, '%RH'))
    """
    if unit == "degC":
        return round(value * _PER_K + 32.0, 9), FAHRENHEIT[unit]
    return difference_in_fahrenheit(value, unit)


def difference_in_fahrenheit(value: float, unit: str) -> tuple[float, str]:
    """A difference or an uncertainty: no zero point enters it.

    >>> difference_in_fahrenheit(1.0, "degC"), difference_in_fahrenheit(0.5, "K/m")
    ((1.8, '°F'), (0.9, '°F/m'))
    """
    return (round(value * _PER_K, 9), FAHRENHEIT[unit]) if unit in FAHRENHEIT else (value, unit)


def text_in_fahrenheit(text: str) -> str:
    """A sentence of ours with its figures in °F.

    >>> text_in_fahrenheit("20.90 ± 0.10 °C at P2, 0.40 K above 20.5 °C; 0.5 K·h")
    '69.62 ± 0.18 °F at P2, 0.72 °F above 68.9 °F; 0.5 K·h'
    """
    return _FIGURE.sub(_converted, text)


def _converted(match: re.Match[str]) -> str:
    """The figure with the decimals that it had, or one more where rounding would change it."""
    unit = "degC" if match["unit"] == "°C" else match["unit"]
    places = len(match["value"].partition(".")[2])
    value, printed = value_in_fahrenheit(float(match["value"].replace("−", "-")), unit)
    places += 1 if not match["U"] and places < 2 and round(value, places) != round(value, 6) else 0
    U = f" ± {difference_in_fahrenheit(float(match['U']), unit)[0]:.{places}f}" if match["U"] else ""
    return f"{value:.{places}f}{U} {printed}".replace("-", "−")
