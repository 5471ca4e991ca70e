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


# file, text there, text instead, what the one fault must say
CASES = {
    "unknown key with the near one and its line": (
        "limits.toml", "disturbs_bodies = true ", "disturb_bodies = true ",
        ["[rules.machine-bay.temperature] disturb_bodies", "did you mean 'disturbs_bodies'", "line {line}"],
    ),
    "limit key that is nearly one": (
        "limits.toml", "span_1h_K = 0.5", "span_1h_k = 0.5",
        ["[rules.machine-bay.span-1h]", "did you mean 'span_1h_K'"],
    ),
    "centre without a scheme": (
        "service.toml", '# [centre]\n# url = "https://rooms.example:8060"', '[centre]\nurl = "rooms.example"',
        ["service.toml [centre] url: expected", "found 'rooms.example'"],
    ),
    "missing key": (
        "room.toml", 'custodian = "Greta Holm"', "",
        ["room.toml [room] custodian: expected a value, found nothing"],
    ),
    "text where a number is wanted": (
        "room.toml", "u_m = 0.02", 'u_m = "0.02"',
        ["[positions.bridge-table] u_m: expected a number, found '0.02'"],
    ),
    "not a number": (
        "limits.toml", "lower_degC = 19.5", "lower_degC = nan",
        ["[rules.machine-bay.temperature] lower_degC: expected a finite number, found nan"],
    ),
    "no such medium": (
        "room.toml", 'medium = "scale"', 'medium = "glass"',
        ["[positions.machine-scale] medium: expected one of air, part, scale", "found 'glass'"],
    ),
    "common cause of a zone that is none": (
        "alarms.toml", '["machine-bay", "plate-bench"]', '["machine-bay", "plate-bank"]',
        ["alarms.toml [notices] common_causes", "did you mean 'plate-bench'"],
    ),
    "zone in two common causes": (
        "alarms.toml", '["machine-bay", "plate-bench"] }', '["machine-bay"], heating = ["machine-bay"] }',
        ["[notices] common_causes: expected machine-bay in one of them", "air-handling and heating"],
    ),
    "no such zone": (
        "room.toml", 'zone = "machine-bay"\nmedium = "pressure"', 'zone = "machin-bay"\nmedium = "pressure"',
        ["[positions.barometer] zone", "did you mean 'machine-bay'", "'machin-bay'"],
    ),
    "no such time zone": (
        "room.toml", "Europe/Vienna", "Europe/Wien",
        ["[room] timezone: expected an IANA time zone", "'Europe/Wien'"],
    ),
    "position outside the room": (
        "room.toml", "xyz_m = [3.6, 3.8, 2.3]", "xyz_m = [3.6, 3.8, 23.0]",
        ["[positions.column-top] xyz_m: expected a place inside the room"],
    ),
    "outline the wrong way round": (
        "room.toml", "outline_m = [6.0, 0.6, 8.6, 2.8]", "outline_m = [8.6, 0.6, 6.0, 2.8]",
        ["[zones.plate-bench] outline_m: expected x0 < x1"],
    ),
    "unit of another quantity": (
        "probes.toml", 'unit = "hPa"', 'unit = "degC"',
        ["[probes.B1.channels.pressure] unit: expected one of Pa, hPa", "'degC'"],
    ),
    "pattern without the names of its values": (
        "probes.toml", "(?P<p>", "(?P<q>",
        ["[probes.B1.connection] pattern: expected the same names", "found q and p"],
    ),
    "pattern that is none": (
        "probes.toml", "pattern = 'P=(", "pattern = 'P=((",
        ["[probes.B1.connection] pattern: expected a regular expression"],
    ),
    "value of a channel that is not there": (
        "probes.toml", 'p = "pressure"', 'p = "presure"',
        ["[probes.B1.connection] values.p", "did you mean 'pressure'"],
    ),
    "probe nowhere placed": (
        "probes.toml", '[[placements]]\nprobe = "B1"\nposition = "barometer"\nfrom = 2026-10-01\n', "",
        ["[probes.B1]", "expected a table [[placements]]"],
    ),
    "placement at an unknown position": (
        "probes.toml", 'position = "column-top"', 'position = "colum-top"',
        ["probes.toml [placements #2] position", "did you mean 'column-top'"],
    ),
    "probe at two places": (
        "probes.toml", 'probe = "P2"\nposition = "column-top"', 'probe = "P1"\nposition = "column-top"',
        ["[placements #2] from: expected P1 at one place at a time"],
    ),
    "a day in quotes": (
        "probes.toml", "from = 2026-10-01", 'from = "2026-10-01"',
        ["[placements #1] from: expected a day, or a date and time, such as 2026-10", "found '2026-10-01'"],
    ),
    "a local time that comes twice": (
        "probes.toml", "from = 2026-10-01", "from = 2026-10-25T02:30:00",
        ["[placements #1] from: expected a local time that occurs once"],
    ),
    "serial number used twice": (
        "probes.toml", 'serial = "AG-0412"', 'serial = "AG-0411"',
        ["[probes.P2] serial: expected a serial number of its own, found that of P1"],
    ),
    "certificate of another serial number": (
        "certificates/AG-0412-T.toml", 'serial = "AG-0412"', 'serial = "AG-0413"',
        ["certificates/AG-0412-T.toml serial: expected that of the probe, 'AG-0412'"],
    ),
    "the sign of a correction": (
        "certificates/AG-0411-T.toml", "correction = -0.01", "correction = +0.01",
        ["AG-0411-T.toml [points #2] correction: expected reference - indication, which is -0.01"],
    ),
    "point without its reference": (
        "certificates/AG-0411-T.toml", "reference = 15.00\n", "",
        ["[points #1] reference: expected `reference` or `correction`, found neither"],
    ),
    "certificate number used twice": (
        "certificates/AG-0412-T.toml", 'number = "AG-0412-T"', 'number = "AG-0411-T"',
        ["AG-0412-T.toml number: expected a certificate name that is used once"],
    ),
    "limits the wrong way round": (
        "limits.toml", "lower_degC = 19.5\nupper_degC = 20.5", "lower_degC = 20.5\nupper_degC = 19.5",
        ["[rules.machine-bay.temperature]", "the lower limit below the upper one, found 20.5 and 19.5"],
    ),
    "no limit at all": (
        "limits.toml", "span_24h_K = 1.0", "",
        ["[rules.machine-bay.span-24h]", "found no limit"],
    ),
    "two kinds of limit in one rule": (
        "limits.toml", "span_24h_K = 1.0", "span_24h_K = 1.0\nlower_degC = 19.0",
        ["[rules.machine-bay.span-24h]", "limits of different kinds"],
    ),
    "limit in a unit of another quantity": (
        "limits.toml", "span_24h_K = 1.0", 'span_24h_K = 1.0\nquantity = "pressure"',
        ["[rules.machine-bay.span-24h] span_24h_K", "'K' is no unit of pressure"],
    ),
    "rule of an unknown zone": (
        "limits.toml", "[rules.machine-bay.humidity]", "[rules.machine-bai.humidity]",
        ["[rules.machine-bai.humidity]", "did you mean 'machine-bay'"],
    ),
    "band narrower than its guard bands": (
        "limits.toml", "lower_degC = 19.5\nupper_degC = 20.5", "lower_degC = 19.95\nupper_degC = 20.05",
        ["[rules.machine-bay.temperature]", "limits at least 0.2 degC wide", "could never be stable"],
    ),
    "medium without a probe": (
        "limits.toml", 'media = ["air", "plate-top"]', 'media = ["plate-bottom"]',
        ["[rules.plate-bench.temperature] media", "no probe here could ever show this rule to be met"],
    ),
    "more probes needed than there are": (
        "limits.toml", "span_24h_K = 1.0", "span_24h_K = 1.0\nneed = 3",
        ["[rules.machine-bay.span-24h] need: expected at least 3 channel(s)"],
    ),
    "window too short for the sampling interval": (
        "limits.toml", "span_1h_K = 0.5", "span_2min_K = 0.5",
        ["[rules.machine-bay.span-1h]", "at least five sampling intervals"],
    ),
    "difference without a second medium": (
        "limits.toml", "span_24h_K = 1.0", "difference_K = 1.0",
        ["[rules.machine-bay.span-24h]", "two media with a probe in each, or two channels"],
    ),
    "bending of a plate of unknown expansion": (
        "limits.toml", "[rules.plate-bench.temperature]",
        '[rules.plate-bench.bending]\nbending_um = 3.0\nbasis = "flatness"\nplate_length_mm = 1000\n'
        "plate_thickness_mm = 150\nplate_alpha_per_K = 6.5e-6\n\n[rules.plate-bench.temperature]",
        ["[rules.plate-bench.bending] plate_u_alpha_per_K: expected a number", "found nothing"],
    ),
    "size of a plate beside another limit": (
        "limits.toml", "span_24h_K = 1.0", "span_24h_K = 1.0\nplate_length_mm = 1000",
        ["[rules.machine-bay.span-24h] plate_length_mm: expected bending_um as the limit"],
    ),
    "difference that no pair could prove": (
        "limits.toml", "span_24h_K = 1.0", 'difference_K = 0.1\nmedia = ["air", "scale"]',
        ["[rules.machine-bay.span-24h]", "as U is 0.14 K", "could never be stable"],
    ),
    "gradient without two probes far enough apart": (
        "limits.toml", "d_min_m = 0.3 ", "d_min_m = 3.0 ",
        ["[rules.machine-bay.gradient]", "no such pair among P1.temperature, P2.temperature"],
    ),
    "vertical gradient of two probes whose line leans": (
        "limits.toml", "gradient_pair_K_per_m = 0.25", "gradient_vertical_K_per_m = 0.5",
        ["[rules.machine-bay.gradient]", "P1–P2 leans 60° from plumb and counts as neither vertical nor"],
    ),
    "channel of another quantity": (
        "limits.toml", "span_24h_K = 1.0", 'span_24h_K = 1.0\nchannels = ["P1.relative_humidity"]',
        ["channels: expected channels of temperature, found P1.relative_humidity"],
    ),
    "alarm without action text": (
        "alarms.toml", 'action = "Close and oil', 'action = "" # "Close and oil',
        ["[alarms.bay-humidity] action: expected text that is not empty"],
    ),
    "alarm of an unknown rule": (
        "alarms.toml", 'rule = "machine-bay.temperature"', 'rule = "machine-bay.temprature"',
        ["[alarms.bay-temperature] rule", "did you mean 'machine-bay.temperature'"],
    ),
    "alarm by an unknown route": (
        "alarms.toml", '["screen", "duty"]', '["screen", "dutty"]',
        ["[alarms.bay-temperature] routes", "did you mean 'duty'"],
    ),
    "deadband in another unit": (
        "alarms.toml", "deadband_K = 0.05", "deadband_percent_RH = 0.05",
        ["[alarms.bay-temperature] deadband_percent_RH: expected deadband_K"],
    ),
    "profile of an unknown channel": (
        "profiles/barometer.toml", '"B1.pressure"', '"B1.presure"',
        ["profiles/barometer.toml [columns] channel", "did you mean 'B1.pressure'"],
    ),
    "profile with an unknown key": (
        "profiles/barometer.toml", "delimiter", "delimeter",
        ["profiles/barometer.toml delimeter", "did you mean 'delimiter'"],
    ),
    "TOML that is none": (
        "limits.toml", "lower_degC = 19.5", "lower_degC = ",
        ["limits.toml", "a syntax error", "line {line}"],
    ),
}  # fmt: skip


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
