"""Hours of use and declared bodies: read as written, and refused with the place where they are wrong."""

from __future__ import annotations

import pytest

from logger import config
from logger.errors import ConfigError
from logger.model import HoursOfUse, ThermalBody

BODY = """
[zones.machine-bay.bodies.granite-table]
tau_s = 10800.0
u_tau_s = 1200.0
lower_degC = 19.6
upper_degC = 20.4
"""
HOURS = 'hours_of_use = ["Mon-Fri 06:00-22:00", "Sat 07:00-12:00"]'


def example(old: str = "", new: str = "", add: str = "") -> dict[str, str]:
    texts = config.read_texts(config.example_folder())
    assert old in texts["room.toml"]
    return texts | {"room.toml": texts["room.toml"].replace(old, new, 1) + add}


def faults_of(texts: dict[str, str]) -> list[str]:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts)
    return [str(fault) for fault in refused.value.faults]


def test_hours_and_holidays_as_written() -> None:
    zones = config.load_texts(example()).setup.zones
    week = tuple((day, 360, 1320) for day in range(5))
    assert zones["machine-bay"].hours_of_use == HoursOfUse(
        (*week, (5, 420, 720)), ("2026-10-26", "2026-12-08", "2026-12-25")
    )


def test_without_hours_a_zone_is_always_in_use() -> None:
    assert config.load_texts(example(HOURS)).setup.zones["machine-bay"].hours_of_use is None


@pytest.mark.parametrize(
    "text",
    [
        "Mon-Fri 6-22",
        "Mo-Fr 06:00-22:00",
        "Mon 25:00-26:00",
        "Mon 06:00-06:00",
        "Mon 06:70-08:00",
        "Mon 06:00-24:01",
    ],
)
def test_hours_that_are_none_are_refused_with_their_line(text: str) -> None:
    (fault,) = faults_of(example(HOURS, f'hours_of_use = ["{text}"]'))
    assert "[zones.machine-bay] hours_of_use" in fault
    assert text in fault
    assert "(line " in fault


def test_hours_may_wrap_around_the_week_and_midnight() -> None:
    texts = example(HOURS, 'hours_of_use = ["Sat-Mon 22:00-06:00"]')
    hours = config.load_texts(texts).setup.zones["machine-bay"].hours_of_use
    assert hours is not None
    assert hours.weekly == ((0, 1320, 1800), (5, 1320, 1800), (6, 1320, 1800))


def test_a_body_as_written() -> None:
    zone = config.load_texts(example(add=BODY)).setup.zones["machine-bay"]
    assert zone.bodies == (
        ThermalBody("machine-bay.granite-table", "granite-table", 10800.0, 1200.0, 19.6, 20.4),
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("lower_degC = 19.6", "lower_degC = 20.6"), ["lower_degC", "the lower limit below"]),
        (("tau_s = 10800.0", "tau_s = 0.0"), ["tau_s", "greater than 0"]),
        (
            ("u_tau_s = 1200.0", 'channels = ["P9.temperature"]\nu_tau_s = 0.0'),
            ["channels", "'P9.temperature'"],
        ),
        (
            ("u_tau_s = 1200.0", 'channels = ["P3.temperature"]\nu_tau_s = 0.0'),
            ["of the air", "P3.temperature"],
        ),
        (
            ("u_tau_s = 1200.0", 'channels = ["P4.temperature"]\nu_tau_s = 0.0'),
            ["of the air", "P4.temperature"],
        ),
        (("u_tau_s = 1200.0", "u_tau = 1200.0"), ["u_tau", "did you mean 'u_tau_s'"]),
        (("machine-bay.bodies", "machine-bay.body"), ["body", "did you mean 'bodies'"]),
    ],
    ids=[
        "limits turned round",
        "no time constant",
        "no such channel",
        "a scale",
        "another zone",
        "typo",
        "table typo",
    ],
)
def test_a_faulty_body_is_told_with_its_place(change: tuple[str, str], words: list[str]) -> None:
    faults = " ".join(faults_of(example(add=BODY.replace(*change, 1))))
    assert [word for word in words if word not in faults] == []


def test_a_body_needs_air_to_follow() -> None:
    """Without a probe in the air of the zone there is nothing that could be computed."""
    texts = example(add=BODY)
    room = texts["room.toml"]
    for place in ("bridge-table", "column-top"):
        begin = room.index(f"[positions.{place}]")
        room = room[:begin] + room[begin:].replace('medium = "air"', 'medium = "structure"', 1)
    faults = faults_of(texts | {"room.toml": room})
    assert any("bodies.granite-table] channels" in fault and "that it follows" in fault for fault in faults)
