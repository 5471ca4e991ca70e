"""Whether forecasts are worth anything: against "it stays as it is", on a made room or on a record."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from ..core.judge.forecast import Skill, skill
from ..errors import UnknownName
from .record import values


def invented_skill(days: int) -> Skill:
    """On the made room of the other measurements, one probe, limits 0.5 K around its mean."""
    series = np.asarray(values(days, 0), np.float64)
    middle = float(np.mean(series))
    return skill(series, middle - 0.5, middle + 0.5)


def recorded_skill(file: Path, column: str, every_s: float, half_K: float) -> Skill:
    """On a column of a CSV file with evenly spaced values, limits `half_K` around its median."""
    with file.open(newline="", encoding="utf-8-sig") as opened:
        head, *rows = csv.reader(opened)
    if column not in head or not rows:
        raise UnknownName("column", column, head)
    place = head.index(column) + len(rows[0]) - len(head)  # some recordings number their lines without a head
    recorded = np.array([float(row[place]) for row in rows])
    at = np.arange(len(recorded)) * every_s / 60
    minutes = np.interp(np.arange(int(at[-1])), at, recorded)
    middle = float(np.median(minutes))
    return skill(minutes, middle - half_K, middle + half_K)


def lines(skill: Skill) -> list[str]:
    """What is printed."""
    wrong = f"{skill.wrong} of {skill.predictions} forecasts were wrong"
    lead = "" if skill.lead_min is None else f"; half of them {skill.lead_min:.0f} min before or more"
    verdict = "skill enough to act on" if skill.has_skill else "no skill: do not act on what it tells"
    return [
        f"crossings {skill.crossings}, predicted {skill.predicted}{lead}",
        wrong,
        f"value in 30 min against staying as it is: skill {skill.value_skill:+.2f} (0 is none, 1 is perfect)",
        verdict,
    ]
