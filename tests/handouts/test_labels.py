"""Labels and the door notice as papers: codes read by a reader of another make, texts by pdftotext."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from logger.config import in_force
from logger.errors import Refused, UnknownName
from logger.handouts.code import base_address
from logger.handouts.door_notice import door_notice
from logger.handouts.labels import chosen_labels, labels_pdf, note_printed, stale
from logger.instants import to_ns
from logger.model import Config
from logger.store import Store
from tests.command_line import Run
from tests.programs import program

NOW = to_ns(datetime(2026, 11, 10, 12, tzinfo=UTC))
NAME = "room-east.example"


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def config(store: Store) -> Config:
    return in_force(store.setups.versions())


def codes(pdf: bytes, folder: Path, dpi: int) -> list[str]:
    """What zbarimg reads on all pages, printed at a resolution."""
    (folder / "x.pdf").write_bytes(pdf)
    pictures = folder / str(dpi)
    pictures.mkdir()
    call = [program("pdftoppm"), "-r", str(dpi), "-png", str(folder / "x.pdf"), str(pictures / "p")]
    subprocess.run(call, check=True)
    read = subprocess.run(
        [program("zbarimg"), "-q", "--raw", *map(str, sorted(pictures.iterdir()))],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return sorted(read.stdout.split("\n")[:-1])


def words(pdf: bytes, folder: Path) -> str:
    (folder / "w.pdf").write_bytes(pdf)
    call = [program("pdftotext"), "-layout", str(folder / "w.pdf"), "-"]
    return subprocess.run(call, capture_output=True, text=True, check=True).stdout


@pytest.mark.slow
@pytest.mark.parametrize("dpi", [72, 150])
def test_each_code_leads_to_the_page_of_its_position(config: Config, tmp_path: Path, dpi: int) -> None:
    """Read back by ZBar from a sheet of A4; at 72 dpi a module is less than 2 pixels wide."""
    labels = chosen_labels(config.setup, [], NOW)
    pdf = labels_pdf(labels, config.setup, NAME, NOW)

    expected = sorted(f"https://{NAME}/positions/{label.position}" for label in labels)
    assert codes(pdf, tmp_path, dpi) == expected
    assert len(expected) == 7


@pytest.mark.slow
def test_twenty_four_labels_and_one_more_take_two_sheets(config: Config, tmp_path: Path) -> None:
    first = chosen_labels(config.setup, ["P1"], NOW)[0]
    many = [replace(first, probe=f"P{n}", position=f"place-{n}") for n in range(25)]
    pdf = labels_pdf(many, config.setup, NAME, NOW)

    assert len(set(codes(pdf, tmp_path, 100))) == 25
    assert words(pdf, tmp_path).count("\f") == 2


def test_without_a_name_a_code_holds_key_and_serial(config: Config, tmp_path: Path) -> None:
    labels = chosen_labels(config.setup, ["P1"], NOW)
    pdf = labels_pdf(labels, config.setup, "", NOW, "62x29")

    assert codes(pdf, tmp_path, 150) == [f"stillroom:P1 {config.setup.probes['P1'].serial}"]


def test_a_label_says_what_the_register_says(config: Config, tmp_path: Path) -> None:
    """Certificate AG-0411-T of config/: at 20 °C it corrects by −0.01 K, U 0.06 K, due 2027-09-08."""
    text = words(
        labels_pdf(chosen_labels(config.setup, ["bridge-table"], NOW), config.setup, NAME, NOW), tmp_path
    )

    for expected in (
        "P1",
        "Machine bay, Bridge table",
        "due 2027-09-08",
        "correction at 20 °C: −0.01 K",
        "U 0.06 K (k = 2)",
    ):
        assert expected in text
    assert "as of 2026-11-10" in text


def test_the_same_labels_have_the_same_bytes(config: Config) -> None:
    labels = chosen_labels(config.setup, [], NOW)
    assert labels_pdf(labels, config.setup, NAME, NOW) == labels_pdf(labels, config.setup, NAME, NOW)


def test_labels_whose_due_day_changed_are_listed(store: Store, config: Config) -> None:
    labels = chosen_labels(config.setup, ["P1", "P2"], NOW)
    note_printed(store, labels, "Greta Holm", NOW)
    assert stale(store, config.setup, NOW) == []

    later = to_ns(datetime(2028, 1, 1, tzinfo=UTC))
    certificates = tuple(
        replace(c, due_ns=later) if c.channel.startswith("P1.") else c for c in config.setup.certificates
    )
    changed = replace(config.setup, certificates=certificates)
    ((probe, printed, now),) = stale(store, changed, NOW)
    assert (probe, printed) == ("P1", "2027-09-08")
    assert date.fromisoformat(now).year in (2027, 2028)
    assert store.verify().intact


def test_bad_input_names_what_there_is(config: Config, stillroom: Run, demo_copy: Path) -> None:
    with pytest.raises(UnknownName, match=r"no probe or position with a probe 'P9'.*P1.*bridge-table"):
        chosen_labels(config.setup, ["P9"], NOW)
    with pytest.raises(Refused, match="--sheet: expected one of 3x8"):
        labels_pdf(chosen_labels(config.setup, ["P1"], NOW), config.setup, NAME, NOW, "9x9")
    with pytest.raises(Refused, match="--name: expected a host"):
        base_address("room east")
    result = stillroom("probe", "labels", "--data", demo_copy)
    assert (result.returncode, "Expected one of --out with a file and --stale" in result.stderr) == (2, True)


def test_the_command_prints_and_remembers(demo_copy: Path, stillroom: Run, tmp_path: Path) -> None:
    result = stillroom(
        "probe", "labels", "P1", "--out", tmp_path / "l.pdf", "--who", "Greta Holm", "--data", demo_copy
    )
    assert (result.returncode, result.stdout) == (0, f"1 label in {tmp_path / 'l.pdf'}.\n")
    listed = stillroom("probe", "labels", "--stale", "--json", "--data", demo_copy)
    assert json.loads(listed.stdout) == []


@pytest.mark.slow
def test_the_door_notice_has_every_limit_in_force(config: Config, tmp_path: Path) -> None:
    """One page a zone; each limit of the setup with its unit; whom to call; the code of the zone's page."""
    zones = [zone.key for zone in config.setup.zones_now()]
    pdf = door_notice(config, zones, NAME, NOW, simulated=True)
    text = words(pdf, tmp_path)
    pages = text.split("\f")

    assert len(pages) == len(zones) + 1
    for key, page in zip(zones, pages, strict=False):
        for rule in config.setup.rules_of(key):
            assert rule.holds(NOW)
            for limit in (rule.lower, rule.upper):
                assert limit is None or f"{abs(limit):g}" in page, rule.key
        assert f"{config.setup.room.custodian}, custodian" in page
        assert "SIMULATED" in page
    assert codes(pdf, tmp_path, 100) == sorted(f"https://{NAME}/?zone={zone}" for zone in zones)


def test_a_limit_of_one_activity_stands_beside_that_of_all_work(config: Config, tmp_path: Path) -> None:
    """Where an activity says nothing of its own, the general limit holds for it, too."""
    (general,) = [r for r in config.setup.rules if r.key == "machine-bay.temperature"]
    own = replace(general, lower=19.9, upper=20.1, activity="gauge blocks")
    changed = replace(config, setup=replace(config.setup, rules=(*config.setup.rules, own)))
    text = words(door_notice(changed, ["machine-bay"], "", NOW, simulated=False), tmp_path)

    (line,) = [line for line in text.splitlines() if line.startswith("temperature")]
    assert line.split("  ")[-1].strip() == "19.9 to 20.1 °C"
    assert "19.5 to 20.5 °C" in line
    (humidity,) = [line for line in text.splitlines() if line.startswith("relative humidity")]
    assert humidity.count("40 to 60 % RH") == 2


def test_a_name_of_a_limit_that_does_not_explain_itself_is_explained(config: Config, tmp_path: Path) -> None:
    """Who reads the door has no manual: "gradient along the pair" says which pair, and which figure."""
    text = " ".join(words(door_notice(config, ["machine-bay"], "", NOW, simulated=False), tmp_path).split())
    assert "gradient along the pair at most 0.25 K/m" in text
    assert (
        "Gradient along the pair: the difference between two probes over the distance between them." in text
    )
    assert "Span: the highest less the lowest value of one probe within the time that is named." in text


def test_an_unknown_zone_is_refused(demo_history: Path, stillroom: Run, tmp_path: Path) -> None:
    result = stillroom("limits", "notice", "bay", "--out", tmp_path / "d.pdf", "--data", demo_history)
    assert (result.returncode, "There is no zone 'bay'" in result.stderr) == (2, True)
    assert not (tmp_path / "d.pdf").exists()
