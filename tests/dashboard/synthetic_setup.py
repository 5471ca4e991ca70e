"""The setup of the tests' record: the example of config/ without barometer, with plain certificates."""

from __future__ import annotations

import re
from functools import cache

from logger.config import example_folder, load, load_texts
from logger.instants import NS
from logger.model import Setup

HOUR = 3600 * NS
NOW = 1_792_418_400 * NS  # 2026-10-19T14:00Z, 16:00 in Vienna
START = NOW - 72 * HOUR
BAROMETER = re.compile("0501|barometer")  # its certificate and its profile
# Probe: position, zone, medium, x, y and z in m, temperature about which it moves in °C.
PLACES = {
    "P1": ("Bridge table", "machine-bay", "air", (2.0, 2.0, 0.9), 20.02),
    "P2": ("Column top", "machine-bay", "air", (3.6, 3.8, 2.3), 19.91),
    "P3": ("Machine scale", "machine-bay", "scale", (2.8, 2.9, 1.4), 20.11),
    "P4": ("Plate air", "plate-bench", "air", (7.0, 1.6, 1.1), 20.24),
    "P5": ("Granite plate", "plate-bench", "plate-top", (7.3, 1.7, 0.85), 20.31),
    "P6": ("Bench air", "plate-bench", "air", (8.2, 2.4, 1.1), 20.33),
}


@cache
def texts(*, simulated: bool = True) -> dict[str, str]:
    """The files of config/ as they were approved."""
    files = {name: text for name, text in load(example_folder()).texts.items() if not BAROMETER.search(name)}
    return {name: _changed(name, text, simulated) for name, text in files.items()}


def _changed(name: str, text: str, simulated: bool) -> str:
    if name == "room.toml":
        text = text.replace("simulated = true", f"simulated = {str(simulated).lower()}")
        text = text.replace("settling_s = 14400", "settling_s = 7200")
        return _without(text, "positions.barometer")
    if name == "probes.toml":
        text = re.sub(r"\[\[placements\]\]\nprobe = \"B1\"\n(?:.+\n)*", "", text)
        return _without(text, "probes.B1")
    if name == "limits.toml":
        # The excursion of the record shall be out of the band alone.
        return text.replace("span_1h_K = 0.5", "span_1h_K = 1.0")
    if name.startswith("certificates/"):
        text = re.sub(r"(?m)^correction = .*\n", "", text)
        text = re.sub(r"(?m)^indication = (\S+)\nreference = \S+", r"indication = \1\nreference = \1", text)
        return text.replace("due_on = 2026-10-21", "due_on = 2026-10-17")
    return text


def _without(text: str, table: str) -> str:
    """A TOML text without a table and the tables below it."""
    pattern = rf"(?m)^\[{re.escape(table)}(?:\.[^\]]+)?\]\n(?:(?!\[).*\n?)*"
    return re.sub(pattern, "", text)


@cache
def setup() -> Setup:
    """Two zones, six probes, the limits of the bay and the bench."""
    return load_texts(texts()).setup
