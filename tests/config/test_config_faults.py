"""Each kind of fault is told with its file, table, key, what was expected and what was found."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger import config
from logger.errors import ConfigError, Fault

from .fault_cases import CASES

Texts = dict[str, str]


@pytest.fixture(scope="module")
def example() -> Texts:
    return config.read_texts(config.example_folder())


def faults_of(texts: Texts) -> list[str]:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts)
    return [str(fault) for fault in refused.value.faults]


def edited(texts: Texts, file: str, old: str, new: str) -> Texts:
    assert old in texts[file]
    return texts | {file: texts[file].replace(old, new, 1)}


@pytest.mark.slow
@pytest.mark.parametrize(("file", "old", "new", "expected"), CASES.values(), ids=CASES.keys())
def test_one_mistake_gives_one_fault_that_says_where(
    example: Texts, file: str, old: str, new: str, expected: list[str]
) -> None:
    faults = faults_of(edited(example, file, old, new))
    line = str(example[file][: example[file].index(old)].count("\n") + 1)
    about = [f for f in faults if all(part.replace("{line}", line) in f for part in expected)]
    assert len(about) == 1, faults
    assert about[0].startswith(file)


# In these one mistake truly is several: a whole file is missing, a rule's alarm hangs in the air, ...
SEVERAL = ("TOML that is none", "rule of an unknown zone", "no limit at all", "serial number used twice",
           "two kinds of limit in one rule", "probe at two places")  # fmt: skip
SINGLE = [name for name in CASES if name not in SEVERAL]


@pytest.mark.slow
@pytest.mark.parametrize("case", SINGLE)
def test_one_mistake_has_no_knock_on(example: Texts, case: str) -> None:
    """A faulty table keeps its name, so that references to it stay quiet."""
    file, old, new, _ = CASES[case]
    assert len(faults_of(edited(example, file, old, new))) == 1


def test_all_faults_of_all_files_come_together(example: Texts) -> None:
    """Seven files, one mistake in each of several tables: all are told at once."""
    texts = example
    cases = ["missing key", "no such medium", "unit of another quantity",
             "limit key that is nearly one", "alarm without action text",
             "point without its reference", "profile with an unknown key"]  # fmt: skip
    for case in cases:
        file, old, new, _ = CASES[case]
        texts = edited(texts, file, old, new)
    faults = "\n".join(faults_of(texts))
    for case in cases:
        assert all(part in faults for part in CASES[case][3]), case


def test_a_channel_without_a_certificate_is_warned_of_and_no_error(example: Texts) -> None:
    """The room can be watched before the certificate comes: each rule that waits for one is named."""
    texts = {file: text for file, text in example.items() if not file.startswith("certificates/")}
    loaded = config.load_texts(texts)
    notes = [note for note in config.warnings(loaded) if "no certificate" in note]
    assert {note.partition(":")[0] for note in notes} == {rule.key for rule in loaded.setup.rules}
    assert (
        "machine-bay.temperature: no certificate for P1.temperature, P2.temperature; zone machine-bay is not "
        "shown until there is one, and alarm bay-temperature is not raised"
    ) in notes


def test_one_missing_certificate_of_a_pair_is_warned_of(example: Texts) -> None:
    """A gradient that only one certified probe could give is named, and so is the probe that lacks one."""
    texts = {file: text for file, text in example.items() if file != "certificates/AG-0412-T.toml"}
    notes = config.warnings(config.load_texts(texts))
    assert any(n.startswith("machine-bay.gradient: no certificate for P2.temperature;") for n in notes)


def test_a_second_file_adds_and_a_name_used_twice_is_a_fault(example: Texts) -> None:
    extra = '[rules.plate-bench.span-24h]\nspan_24h_K = 1.5\nbasis = "House instruction MR-03"\n'
    added = config.load_texts(example | {"limits-bench.toml": extra})
    assert "plate-bench.span-24h" in {rule.key for rule in added.setup.rules}
    twice = '[rules.plate-bench.humidity]\nupper_percent_RH = 70.0\nbasis = "none"\n'
    faults = faults_of(example | {"limits-bench.toml": twice})
    assert any("used once" in f and "which is in limits" in f for f in faults)


def test_a_file_of_another_name_and_a_missing_file(example: Texts) -> None:
    texts = {file: text for file, text in example.items() if file != "probes.toml"} | {"notes.toml": ""}
    faults = faults_of(texts)
    assert any(f.startswith("notes.toml") for f in faults)
    assert any(f.startswith("probes.toml: expected this file") for f in faults)


def test_limits_in_degF_are_converted_at_the_edge(example: Texts) -> None:
    """68 degF is 20 degC: common practice, no source."""
    texts = edited(
        example, "limits.toml", "lower_degC = 19.0\nupper_degC = 21.0", "lower_degF = 66.2\nupper_degF = 69.8"
    )
    rule = next(r for r in config.load_texts(texts).setup.rules if r.key == "plate-bench.temperature")
    assert (rule.lower, rule.upper, rule.unit) == (19.0, 21.0, "degC")


def test_narrow_limits_are_warned_of(example: Texts) -> None:
    """Tolerance ±0.2 K against U = 0.098 K: a ratio of 2.0, below the usual 3."""
    texts = edited(
        example, "limits.toml", "lower_degC = 19.5\nupper_degC = 20.5", "lower_degC = 19.8\nupper_degC = 20.2"
    )
    warned = config.warnings(config.load_texts(texts))
    assert len(warned) == 1
    assert warned[0].startswith("machine-bay.temperature: tolerance 0.2 degC is only 2.0 times")


def _no_folder(folder: Path) -> Path:
    return folder / "nothing"


def _not_utf8(folder: Path) -> Path:
    (folder / "room.toml").write_bytes(b"\xff\xfe\x00")
    return folder


@pytest.mark.parametrize("make", [_no_folder, _not_utf8], ids=["no folder", "not UTF-8"])
def test_a_folder_that_cannot_be_read(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    with pytest.raises(ConfigError, match="expected a"):
        config.load(make(tmp_path))


EDITS = {
    "which": st.integers(0, 99), "at": st.integers(0, 299), "other": st.integers(0, 299),
    "edit": st.integers(0, 3),
}  # fmt: skip


@pytest.mark.slow
@settings(max_examples=50, derandomize=True)
@given(**EDITS)
def test_a_damaged_file_gives_faults_and_never_another_error(
    which: int, at: int, other: int, edit: int
) -> None:
    """One line of one file left out, doubled, put in another's place or with another sign."""
    _damage(which, at, other, edit)


@pytest.mark.long
@settings(max_examples=5000)
@given(**EDITS)
def test_damaged_files_give_faults_at_length(which: int, at: int, other: int, edit: int) -> None:
    """The same at length."""
    _damage(which, at, other, edit)


def _damage(which: int, at: int, other: int, edit: int) -> None:
    example = config.read_texts(config.example_folder())
    file = sorted(example)[which % len(example)]
    lines = example[file].splitlines(keepends=True)
    line = lines[at % len(lines)]
    edited_line = ("", line * 2, lines[other % len(lines)], line.replace("=", "= -"))[edit]
    lines[at % len(lines)] = edited_line
    faults: tuple[Fault, ...] | None = None
    try:
        config.load_texts(example | {file: "".join(lines)})
    except ConfigError as refused:
        faults = refused.faults
    assert faults is None or (len(faults) > 0 and all(fault.expected and fault.found for fault in faults))


def test_rules_of_one_name_are_one_fault(example: Texts) -> None:
    """Fourteen of them were 91 faults, one for each pair."""
    rule = '\n[rules.machine-bay.more-{n}]\nname = "dew"\nupper_degC = {n}.5\nbasis = "trial"\n'
    many = example["limits.toml"] + "".join(rule.format(n=n + 30) for n in range(14))
    (fault,) = [f for f in faults_of(example | {"limits.toml": many}) if " name:" in f]
    assert "14 named 'dew'" in fault
    assert all(f"machine-bay.more-{n + 30}" in fault for n in range(14))


def test_a_setup_without_any_alarm_is_warned_of(example: Texts) -> None:
    """Nobody would be notified."""
    silent = config.load_texts({f: t for f, t in example.items() if f != "alarms.toml"})
    assert [w for w in config.warnings(silent) if "no alarm is defined" in w]
    assert not [w for w in config.warnings(config.load_texts(example)) if "no alarm is defined" in w]


def test_faults_of_every_kind_come_at_once(example: Texts) -> None:
    """A wrong alarm, a setting beyond its ceiling, two rules of one name, a rule that no probe can meet."""
    limits = example["limits.toml"] + (
        '\n[rules.machine-bay.narrow]\nlower_degC = 19.99\nupper_degC = 20.01\nbasis = "trial"\n'
        '\n[rules.machine-bay.twin]\nname = "narrow twin"\nupper_degC = 25.0\nbasis = "trial"\n'
        '\n[rules.machine-bay.twin-2]\nname = "narrow twin"\nupper_degC = 25.5\nbasis = "trial"\n'
    )
    limits = limits.replace("[rules.machine-bay.narrow]", '[rules.machine-bay.narrow]\nname = "narrow"', 1)
    texts = edited(example, "room.toml", "body_gap_s = 3600", "body_gap_s = 999999") | {"limits.toml": limits}
    texts["alarms.toml"] = example["alarms.toml"] + "\n[alarms.none]\nrule = 5\n"
    output = " ".join(faults_of(texts))
    assert "[alarms.none]" in output
    assert "body_gap_s" in output
    assert "2 named 'narrow twin'" in output
    assert "could never be stable" in output


def test_channels_of_another_medium_than_the_rule_names_are_refused(example: Texts) -> None:
    """A rule of parts would be judged by the air, and conform while the part is cold."""
    rule = (
        '\n[rules.machine-bay.part]\nname = "part"\nmedia = ["part"]\nchannels = ["P1.temperature"]\n'
        'lower_degC = 19.0\nupper_degC = 21.0\nbasis = "trial"\n'
    )
    (fault,) = faults_of(example | {"limits.toml": example["limits.toml"] + rule})
    assert "channels: expected channels in part" in fault
    assert "P1.temperature, which is in air" in fault


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("room.toml", 'custodian = "Greta Holm"', 'custodian = "Greta \u202emloH"', "right-to-left override"),
        ("room.toml", 'custodian = "Greta Holm"', 'custodian = "Greta\\u0007 Holm"', "U+0007"),
        ("limits.toml", "[rules.machine-bay.temperature]", '[rules.machine-bay."a\\u200eb"]', "U+200E"),
    ],
)  # fmt: skip
def test_a_sign_that_nobody_sees_is_a_fault_with_its_name_and_line(
    example: Texts, file: str, old: str, new: str, says: str
) -> None:
    """Unicode Standard Annex 9: marks of direction make a name read otherwise than it is stored."""
    faults = [f for f in faults_of(edited(example, file, old, new)) if "invisible characters" in f]
    assert len(faults) == 1
    assert faults[0].startswith(file)
    assert says in faults[0]
    assert "(line " in faults[0]


def test_a_high_alarm_on_the_screen_alone_is_warned_of_unless_declared(example: Texts) -> None:
    """Nobody sits before the screen at night: the check says so, or the lab says why the screen is enough."""
    routes = 'routes = ["screen", "duty"]      # default: screen alone'
    alone = edited(example, "alarms.toml", routes, 'routes = ["screen"]')
    alone["alarms.toml"] = re.sub(r"(?m)^escalate_.*\n", "", alone["alarms.toml"])
    text = [w for w in config.warnings(config.load_texts(alone)) if "screen alone" in w]
    assert len(text) == 1
    assert text[0].startswith("alarms.toml: bay-temperature ")
    manned = 'routes = ["screen"]\nscreen_alone = "always manned"'
    declared = edited(alone, "alarms.toml", 'routes = ["screen"]', manned)
    assert not [w for w in config.warnings(config.load_texts(declared)) if "screen alone" in w]


def test_notices_that_go_to_the_screen_alone_are_warned_of(example: Texts) -> None:
    """Of silent probes, full disks and failed backups nobody would hear."""
    quiet = edited(example, "alarms.toml", '# routes = ["screen", "room"] ', 'routes = ["screen"] #')
    assert [w for w in config.warnings(config.load_texts(quiet)) if "notices.routes" in w]


def test_a_setup_in_force_that_could_not_be_entered_any_more_opens(example: dict[str, str]) -> None:
    """A vertical gradient over a pair whose line leans was accepted by an earlier version of the program."""
    texts = edited(example, "limits.toml", "gradient_pair_K_per_m = 0.25", "gradient_vertical_K_per_m = 0.5")
    with pytest.raises(ConfigError, match="leans 60° from plumb"):
        config.load_texts(texts)
    stored = config.load_stored(texts, version=1)
    assert [r.direction for r in stored.setup.rules if r.kind == "gradient"] == ["vertical"]
