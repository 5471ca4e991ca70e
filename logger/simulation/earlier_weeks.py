"""The 24 weeks before the sample logs: invented, with planted causes for the room study to find.

Planted in the air of the machine bay, P1 and P2, and written down here so that anybody can compare:

- outdoors: 0.02 K per K behind a lag of 3 h; until the sun film of 17 August 0.15 K more on the level
- air handling: a cycle of 14 min, ±0.06 K, that wanders by 3 %
- day: ±0.04 K, highest in the afternoon; doors: +0.20 K that decays in 12 min, about three on a working day
- set-back from Friday 18:00 to Monday 03:00: about 0.9 K, less in cold weather, with 9 h; back with 2.2 h
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..instants import NS
from .climate import instant

if TYPE_CHECKING:
    from ..series import Float, Int

FROM_NS = instant("2026-04-27T00:00+02:00")
TO_NS = instant("2026-10-12T00:00+02:00")
FILM_NS = instant("2026-08-17T10:00+02:00")
WEEKS = 24
FILE, DOORS = "earlier-weeks.csv", "doors.csv"
_SEED, _CELL_S, _DAY_S = 31, 60, 86_400
_OFFSET_S = 7200  # the whole time is summer time in Vienna
_OUTDOOR_K_PER_K, _FILM_K, _DOOR_K, _CYCLE_K, _DAY_K = 0.02, 0.15, 0.2, 0.06, 0.04


@dataclass(frozen=True)
class EarlierWeeks:
    """Columns of the file, each shape (minutes,), UTC seconds, and the instants of the doors in UTC s."""

    at_s: Int
    columns: Mapping[str, Float]
    doors_s: Int


def earlier_weeks() -> EarlierWeeks:
    """The weeks as they are each time: all chance comes from one seed."""
    import numpy as np

    chance = np.random.default_rng(_SEED)
    at_s = np.arange(FROM_NS // NS, TO_NS // NS, _CELL_S, dtype=np.int64)
    outdoors = _outdoors(at_s, chance)
    local = at_s + _OFFSET_S
    doors_s = _doors(local, chance) - _OFFSET_S
    air = 19.88 + _OUTDOOR_K_PER_K * (_lagged(outdoors, 3 * 3600) - 14)
    air += np.where(at_s < FILM_NS // NS, _FILM_K, 0.0)
    air += _DAY_K * np.cos(2 * np.pi * (local / _DAY_S - 15 / 24)) + _set_back(local, outdoors)
    air += _CYCLE_K * np.sin(
        2 * np.pi * np.cumsum(_CELL_S / (840 * (1 + _red(len(local), 7200, 0.03, chance))))
    )
    air += _red(len(local), 3 * 3600, 0.03, chance) + _responses(at_s, doors_s)
    lagged = _lagged(air, 45)
    columns = {
        "P1 temperature (degC)": lagged - 0.04 + chance.normal(0, 0.006, len(local)),
        "P1 humidity (%RH)": 48 + _red(len(local), 6 * 3600, 0.8, chance),
        "P2 temperature (degC)": lagged + 0.04 + _red(len(local), 900, 0.01, chance),
        "P2 humidity (%RH)": 47.5 + _red(len(local), 6 * 3600, 0.8, chance),
        "O1 temperature (degC)": outdoors + chance.normal(0, 0.03, len(local)),
    }
    return EarlierWeeks(
        at_s, {name: np.round(v, 2 if "temp" in name else 1) for name, v in columns.items()}, doors_s
    )


def write(folder: Path) -> tuple[Path, Path]:
    """Write the logger's file and the list of doors into a folder; gives both."""
    import pyarrow as pa
    import pyarrow.csv as pc

    weeks = earlier_weeks()
    stamps = pa.array(weeks.at_s, pa.int64()).cast(pa.timestamp("s", "UTC"))
    table = pa.table({"time": pa.compute.strftime(stamps, "%Y-%m-%dT%H:%M:%SZ"), **weeks.columns})
    folder.mkdir(parents=True, exist_ok=True)
    pc.write_csv(table, folder / FILE, pc.WriteOptions(quoting_style="none"))
    from ..instants import rfc3339

    lines = ["time,what", *(f"{rfc3339(int(at) * NS)},door" for at in weeks.doors_s)]
    (folder / DOORS).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / FILE, folder / DOORS


def _red(n: int, memory_s: float, sd: float, chance: Any) -> Float:
    """Noise whose memory fades as exp(−t/memory)."""
    import numpy as np
    from scipy.signal import lfilter

    keep = np.exp(-_CELL_S / memory_s)
    shocks = chance.normal(0, sd * np.sqrt(1 - keep**2), n)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def _lagged(value: Float, lag_s: float) -> Float:
    """Behind a first-order lag, at rest at the beginning."""
    import numpy as np
    from scipy.signal import lfilter

    share = 1 - np.exp(-_CELL_S / lag_s)
    return np.asarray(lfilter([share], [1, share - 1], value, zi=[(1 - share) * value[0]])[0])


def _outdoors(at_s: Int, chance: Any) -> Float:
    """Season, hour and weather: 9.5 ± 10 K over the year as in `climate`, ± 4 K over the day."""
    import numpy as np

    day = (at_s / _DAY_S) % 365.25
    hour = (at_s / 3600 + 14 / 15) % 24
    seasonal = (
        9.5 - 10 * np.cos(2 * np.pi * (day - 15 + 1) / 365.25) - 4 * np.cos(2 * np.pi * (hour - 4) / 24)
    )
    return np.asarray(seasonal + _red(len(at_s), 40 * 3600, 2.6, chance))


def _doors(local: Int, chance: Any) -> Int:
    """Instants on the local clock: about three on each working day, between 7 and 17 h."""
    import numpy as np

    days = np.arange(local[0] // _DAY_S, local[-1] // _DAY_S)
    working = days[(days + 3) % 7 < 5]
    doors = [day * _DAY_S + chance.uniform(7 * 3600, 17 * 3600, chance.poisson(3)) for day in working]
    return np.sort(np.concatenate(doors)).astype(np.int64)


def _responses(at_s: Int, doors_s: Int) -> Float:
    """What the doors do: one minute's step that decays with 12 min."""
    import numpy as np
    from scipy.signal import lfilter

    opened = np.bincount((doors_s - at_s[0]) // _CELL_S, minlength=len(at_s))[: len(at_s)]
    return np.asarray(lfilter([_DOOR_K], [1, -np.exp(-_CELL_S / 720)], opened.astype(np.float64)))


def _set_back(local: Int, outdoors: Float) -> Float:
    """Rise at weekends towards a level that follows outdoors, with 9 h, and back with 2.2 h."""
    import numpy as np

    minute = (local // 60 + 3 * 1440) % 10_080  # of the week, from Monday 00:00
    off = (minute >= 4 * 1440 + 18 * 60) | (minute < 3 * 60)
    towards = np.where(off, 0.9 + 0.03 * (_lagged(outdoors, 24 * 3600) - 14), 0.0)
    value, state = np.zeros(len(local)), 0.0
    up, down = 1 - np.exp(-_CELL_S / (9 * 3600)), 1 - np.exp(-_CELL_S / (2.2 * 3600))
    rises = off.tolist()
    for i, level in enumerate(towards.tolist()):
        state += (level - state) * (up if rises[i] else down)
        value[i] = state
    return value
