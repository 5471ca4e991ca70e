"""Settings that would make a silent room a quiet one: refused when entered, bounded where in force."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from logger.config import ConfigError, example_folder, in_force, load_stored, load_texts, read_texts, warnings
from logger.config.neighbours import warnings as uncompared
from logger.core.measurement.check import check
from logger.core.validity.leniency import evidence_settings
from logger.instants import NS
from logger.model import Setup
from logger.selftest import room
from logger.store import SetupVersion

TEXTS = read_texts(example_folder())
P1 = "[probes.P1.channels.temperature]\n"
BAND = "[rules.machine-bay.temperature]\n"
PAPER = next(f for f in sorted(TEXTS) if f.startswith("certificates/") and f.endswith(".toml"))


def edited(file: str, old: str, new: str) -> dict[str, str]:
    """The example with one place of one file changed; `old` is a pattern that occurs."""
    text, times = re.subn(old, new.replace("\\", "\\\\"), TEXTS[file], count=1)
    assert times == 1, old
    return TEXTS | {file: text}


def after(file: str, header: str, line: str) -> dict[str, str]:
    assert header in TEXTS[file]
    return TEXTS | {file: TEXTS[file].replace(header, header + line + "\n", 1)}


# Ceilings: common practice, no source. For each: the files, the key, what must be said, what is printed.
BEYOND = {
    "age": (after("probes.toml", P1, "max_age_s = 86400"), "max_age_s", "at most 300 s", "300 s"),
    "sampling": (
        edited("probes.toml", r"sampling_interval_s = 60\.0", "sampling_interval_s = 86400.0"),
        "sampling_interval_s", "at most 3600 s", "3600 s",
    ),
    "clock": (
        edited("room.toml", r"clock_limit_s = [\d.]+", "clock_limit_s = 86400"),
        "clock_limit_s", "at most 300 s", "300 s",
    ),
    "gap": (
        edited("room.toml", r"body_gap_s = 3600", "body_gap_s = 864000"),
        "body_gap_s", "at most 14400 s, its settling time", "14400 s",
    ),
    "completeness": (
        after("limits.toml", BAND, "completeness = 0.01"), "completeness", "at least 0.8", "0.8",
    ),
    "due": (edited(PAPER, r"due_on = \S+", "due_on = 2099-12-31"), "due_on", "10 years", "20"),
    "absolute zero": (
        edited("probes.toml", r"probe_span = \[[^]]*\]", "probe_span = [-2000.0, 2000.0]"),
        "probe_span", "-273.15", "-273.15",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BEYOND)
def test_a_setting_beyond_its_ceiling_is_refused_with_what_to_enter(case: str) -> None:
    """The key, the ceiling, and the value that was entered."""
    texts, key, ceiling, _ = BEYOND[case]
    with pytest.raises(ConfigError) as refused:
        load_texts(texts)
    mine = [fault for fault in refused.value.faults if fault.key == key]
    assert mine, refused.value
    assert all(ceiling in fault.expected for fault in mine)


@pytest.mark.parametrize("case", BEYOND)
def test_a_setup_that_is_in_force_already_opens_and_is_judged_by_the_ceiling(case: str) -> None:
    """An earlier version of the program accepted it: it opens, is bounded, and every check says so."""
    texts, key, _, ceiling = BEYOND[case]
    version = SetupVersion(1, 0, "Greta Holm", "Ruth Amsel", "", texts, "", 0, False)
    setup = in_force([version]).setup
    text = [note for note in setup.bounded if key in note]
    assert text
    assert all(f"is judged as {ceiling}" in note for note in text)
    assert set(text) <= set(evidence_settings(setup, "machine-bay", setup.rules, (0, NS), 7200))
    channels = [c for s in setup.by_settings() for c in s.channels.values()]
    assert max(c.interval_s for c in channels) <= 3600
    assert all(c.max_age_s <= min(max(3 * c.interval_s, 300), 7200) for c in channels)
    assert setup.clock_limit_s <= 300
    assert all(zone.body_gap_s <= zone.settling_s for zone in setup.zones.values())
    assert all(rule.completeness >= 0.8 for rule in setup.rules)


def test_at_its_ceiling_a_setting_is_accepted_and_printed() -> None:
    """300 s of age at a reading a minute: the default is three intervals, 180 s."""
    config = load_texts(after("probes.toml", P1, "max_age_s = 300"))
    assert not config.setup.bounded
    text = evidence_settings(config.setup, "machine-bay", (), (0, 2**62), 7200)
    assert "P1.temperature: a reading holds for 5 min (default 3 min)" in text


def test_the_default_age_of_an_hourly_reading_is_two_hours() -> None:
    """Three intervals, and at most 2 h."""
    hourly = edited("probes.toml", r"sampling_interval_s = 60\.0", "sampling_interval_s = 3600.0")
    assert {c.max_age_s for c in load_stored(hourly).setup.channels.values()} == {7200.0}


def test_no_setup_holds_more_by_whatever_way_it_comes() -> None:
    """Bounds are those of the model itself, so that no code can judge by wider ones."""
    setup = room.setup((room.rule(completeness=0.01, need=0),))
    lax = replace(setup, clock_limit_s=1e9)
    channel = replace(setup.channels["T1.temperature"], interval_s=86_400.0, max_age_s=1e9)
    zone = replace(setup.zones["bay"], settling_s=7200, body_gap_s=864_000)
    paper = replace(setup.certificates[0], calibrated_on="2026-01-01", due_ns=2**62)
    assert lax.clock_limit_s == 300.0
    assert (channel.interval_s, channel.max_age_s) == (3600.0, 7200.0)
    assert zone.body_gap_s == 7200
    assert replace(zone, body_gap_s=3600, settling_s=1800).body_gap_s == 1800
    assert (setup.rules[0].completeness, setup.rules[0].need) == (0.8, 1)
    assert paper.due_ns is not None
    # 2036-01-01 ends last at 12:00 UTC of the day after
    assert paper.due_ns == int(datetime(2036, 1, 2, 12, tzinfo=UTC).timestamp()) * NS


def test_a_limit_that_no_reading_can_break_is_warned_of() -> None:
    """An upper limit of 1e9 is no limit; a span of probes of -40 to 60 cannot exceed 100 K."""
    texts = edited("limits.toml", r"upper_degC = [\d.]+", "upper_degC = 1e9")
    texts["limits.toml"] = re.sub(r"lower_degC = [\d.]+", "lower_degC = -1e9", texts["limits.toml"], count=1)
    assert any("can break -1e+09 and 1e+09 degC" in line for line in warnings(load_texts(texts)))
    assert not any("can break" in line for line in warnings(load_texts(TEXTS)))


def test_settling_guard_factor_and_pre_window_are_always_printed() -> None:
    """Also a band that disturbs nothing, bodies quicker than the usual settling, and no settling at all."""
    setup = room.setup((room.rule(disturbs=False, r=0.5),), settling_s=14_400)
    text = settings_of(setup)
    assert text[:3] == ("settling 4 h", "guard factor r = 0.5", "pre-window 2 h")
    assert "temperature: a value out of limits starts no settling" in text
    bare = replace(setup, zones={"bay": replace(setup.zones["bay"], settling_s=0)})
    assert settings_of(bare)[0] == "no settling time"


def settings_of(setup: Setup) -> tuple[str, ...]:
    """As a check prints them."""
    judgement = room.judged(setup, {"T1": room.series([20.0] * 1440)})
    return check(judgement, setup, room.at(9), room.at(10), pre_window_s=7200).settings


def test_a_comparison_that_can_never_be_made_is_refused_and_a_withdrawal_warns() -> None:
    """One probe of humidity is compared with none; a zone whose second probe left compares nothing."""
    question = after("room.toml", "[zones.machine-bay]\n", "agree_K = 0.3\nagree_dew_point_K = 0.7")
    item = {
        f: re.sub(r'position = "column-top"', 'position = "granite-plate"', t) for f, t in question.items()
    }
    with pytest.raises(ConfigError) as refused:
        load_texts(item)
    assert "no two probes that can be compared" in str(refused.value)
    assert not any("compare" in line for line in warnings(load_texts(question)))
    setup = load_texts(question).setup
    remaining = tuple(replace(p, to_ns=2 * 10**18) if p.probe != "P1" else p for p in setup.placements)
    result = " ".join(uncompared(replace(setup, placements=remaining)))
    assert "machine-bay: agree_K no longer compares anything" in result
