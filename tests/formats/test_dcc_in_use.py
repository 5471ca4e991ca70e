"""Digital Calibration Certificates put in use by a file beside them."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logger import config
from logger.core.calibration.apply import correct_readings
from logger.core.validity.versions import Version, effective_setup
from logger.errors import ConfigError
from logger.formats.dcc import content_of, text_of
from logger.instants import NS
from logger.model import Certificate, Setup
from tests.formats import certificates

Texts = dict[str, str]
XML, TOML = "certificates/MADE.xml", "certificates/MADE.toml"
BOTH = """
[[use]]
channel = "P1.temperature"
valid_from = 2026-10-01
drift = 0.06

[[use]]
channel = "P1.relative_humidity"
valid_from = 2026-10-01
range = [20.0, 80.0]
"""


@pytest.fixture(scope="module")
def example() -> Texts:
    """The example without the certificates of P1."""
    texts = config.read_texts(config.example_folder())
    return {f: t for f, t in texts.items() if not f.startswith("certificates/AG-0411")}


def with_dcc(texts: Texts, content: bytes, use: str = BOTH, sha256: str = "") -> Texts:
    head = f'dcc = "MADE.xml"\nsha256 = "{sha256 or hashlib.sha256(content).hexdigest()}"\n'
    return texts | {XML: text_of(content), TOML: head + use}


def of(setup: Setup, channel: str) -> Certificate:
    return next(c for c in setup.certificates if c.channel == channel)


def faults(texts: Texts) -> list[str]:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts)
    return [str(fault) for fault in refused.value.faults]


@pytest.mark.parametrize("version", ["3.1.2", "3.2.1", "3.3.0"])
def test_a_certificate_in_use_corrects_readings(example: Texts, version: str) -> None:
    """The worked point: 19.7 is corrected to 20.1 degC, with U² = 0.06² + 4·(0.01²/12 + 0.008² + 0.06²/3)."""
    setup = config.load_texts(with_dcc(example, certificates.certificate(version=version))).setup
    certificate = of(setup, "P1.temperature")
    assert (certificate.number, certificate.issuer) == ("MADE-0411", "Traunfeld Calibration Laboratory")
    assert certificate.calibrated_on == "2026-09-08"
    assert certificate.range == (15.02, 30.04)
    now_ns = int(datetime(2026, 10, 20, tzinfo=UTC).timestamp()) * NS
    channel = setup.channels["P1.temperature"]
    result = correct_readings(channel, [certificate], np.array([now_ns]), np.array([19.7]))
    assert result.value[0] == pytest.approx(20.1)
    by_hand = np.sqrt(0.06**2 + 4 * (0.01**2 / 12 + 0.008**2 + 0.06**2 / 3))
    assert result.U[0] == pytest.approx(by_hand, abs=1e-6)
    assert of(setup, "P1.relative_humidity").range == (20.0, 80.0)


def test_due_is_the_certificates_own_day_or_the_labs(example: Texts) -> None:
    """2027-09-08 ends in Vienna, in summer, at 22:00Z; a shorter interval of the lab's own goes before."""
    stated = of(config.load_texts(with_dcc(example, certificates.certificate())).setup, "P1.temperature")
    assert stated.due_ns == int(datetime(2027, 9, 8, 22, tzinfo=UTC).timestamp()) * NS
    use = BOTH.replace("drift = 0.06", "drift = 0.06\ndue_on = 2027-03-01")
    shorter = of(
        config.load_texts(with_dcc(example, certificates.certificate(due=""), use)).setup, "P1.temperature"
    )
    assert shorter.due_ns == int(datetime(2027, 3, 1, 23, tzinfo=UTC).timestamp()) * NS


def test_the_original_bytes_are_kept_in_the_setup(example: Texts, tmp_path: Path) -> None:
    """Written to a folder with Windows line ends, read, stored, and the same SHA-256 as the file."""
    content = certificates.certificate(signed=True).replace(b"\n", b"\r\n")
    for file, text in with_dcc(example, content).items():
        (tmp_path / file).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / file).write_text(text, encoding="utf-8", newline="\n")
    (tmp_path / XML).write_bytes(content)
    remaining = config.load(tmp_path)
    assert hashlib.sha256(content_of(remaining.texts[XML])).hexdigest() == hashlib.sha256(content).hexdigest()
    again = config.load_texts(remaining.texts)
    assert again.setup.digest == remaining.setup.digest
    assert again.setup.certificates == remaining.setup.certificates


def test_as_left_goes_before_as_found(example: Texts) -> None:
    before = (
        certificates.temperature(words="basic_beforeAdjustment")
        .replace("19.7 ", "19.5 ")
        .replace("-0.4", "-0.6")
    )
    content = certificates.certificate(before, certificates.temperature(words="basic_afterAdjustment"))
    use = '[[use]]\nchannel = "P1.temperature"\nvalid_from = 2026-10-01\n'
    setup = with_dcc(example, content, use) | {"certificates/AG-0411-H.toml": humidity_of_p1()}
    assert of(config.load_texts(setup).setup, "P1.temperature").corrections == (-0.02, 0.4, -0.04)
    question = with_dcc(example, content, use + "table = 1\n") | {
        "certificates/AG-0411-H.toml": humidity_of_p1()
    }
    assert of(config.load_texts(question).setup, "P1.temperature").corrections[1] == 0.6


def humidity_of_p1() -> str:
    return config.read_texts(config.example_folder())["certificates/AG-0411-H.toml"]


# What the certificate and its use say otherwise, and what the fault must say.
CASES: dict[str, tuple[dict[str, str], tuple[str, str], list[str]]] = {
    "another file than was confirmed": (
        {"sha256": "0" * 64},
        ("", ""),
        ["certificates/MADE.toml sha256: expected that of MADE.xml", "stillroom confirm"],
    ),
    "another probe": (
        {"serial": "AG-0999"},
        ("", ""),
        ["serial: expected that of the probe, 'AG-0411'", "AG-0999 or INV-17"],
    ),
    "no such channel": (
        {},
        ("P1.temperature", "P1.temperatur"),
        ["[use #1] channel", "did you mean 'P1.temperature'"],
    ),
    "one channel twice": (
        {},
        ("P1.relative_humidity", "P1.temperature"),
        ["[use #2] channel: expected one use for each"],
    ),
    "no such table": (
        {},
        ("drift", "table = 2\ndrift"),
        ["expected the number of a table of temperature", "1 temperature, 2 relative_humidity"],
    ),
    "in use before it was made": (
        {},
        ("2026-10-01", "2026-09-01"),
        ["valid_from: expected a day of first use on or after"],
    ),
    "unknown key": ({}, ("drift", "drif"), ["[use #1] drif: expected", "did you mean 'drift'"]),
    "an old schema": (
        {"version": "2.4.0"},
        ("", ""),
        ["certificates/MADE.xml: expected", "schema version 2.4.0"],
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_faults_are_told_with_their_place(example: Texts, case: str) -> None:
    changed, (old, new), text = CASES[case]
    content = certificates.certificate(**{k: v for k, v in changed.items() if k != "sha256"})  # type: ignore[arg-type]
    output = faults(with_dcc(example, content, BOTH.replace(old, new, 1), changed.get("sha256", "")))
    assert any(all(part in fault for part in text) for fault in output), output


def test_a_certificate_that_nothing_uses_is_told(example: Texts) -> None:
    texts = config.read_texts(config.example_folder()) | {XML: text_of(certificates.certificate())}
    (fault,) = faults(texts)
    assert fault.startswith("certificates/MADE.xml: expected a TOML file with `dcc`, `sha256` and [[use]]")
    assert fault.endswith("found a certificate that no [[use]] names")


def test_a_use_without_its_certificate_is_told(example: Texts) -> None:
    texts = with_dcc(example, certificates.certificate())
    del texts[XML]
    assert any("certificates/MADE.toml dcc: expected" in fault for fault in faults(texts))


def test_one_paper_for_temperature_and_humidity_is_one_certificate(example: Texts) -> None:
    """Both channels have its number, so that their errors count as common in a dew point."""
    setup = config.load_texts(with_dcc(example, certificates.certificate())).setup
    assert of(setup, "P1.temperature").number == of(setup, "P1.relative_humidity").number
    later = effective_setup([Version(setup, 0), Version(replace(setup, version=2, digest="later"), NS)])
    assert {c.channel for c in later.certificates} == {c.channel for c in setup.certificates}


def test_the_guard_holds_for_digital_certificates(example: Texts) -> None:
    head = "[probes.P1.channels.temperature]\n"
    probes = example["probes.toml"].replace(head, f'{head}applies_certificate = "MADE-0411"\n', 1)
    texts = with_dcc(example, certificates.certificate()) | {"probes.toml": probes}
    assert any("once more" in fault for fault in faults(texts))
    use = BOTH.replace("drift = 0.06", "drift = 0.06\napplied_by_instrument = true")
    texts = with_dcc(example, certificates.certificate(), use) | {"probes.toml": probes}
    assert set(of(config.load_texts(texts).setup, "P1.temperature").corrections) == {0.0}


EQUIPMENT = """<dcc:measuringEquipments>
  <dcc:measuringEquipment><dcc:name><dcc:content lang="en">Reference thermometer</dcc:content></dcc:name>
    <dcc:identifications><dcc:identification><dcc:issuer>calibrationLaboratory</dcc:issuer>
      <dcc:value>RT-07</dcc:value></dcc:identification></dcc:identifications></dcc:measuringEquipment>
  <dcc:measuringEquipment><dcc:name><dcc:content lang="en">Climate chamber</dcc:content></dcc:name>
  </dcc:measuringEquipment></dcc:measuringEquipments>"""


def test_references_are_the_measuring_equipment_of_the_certificate_or_as_entered(example: Texts) -> None:
    """Marks where there are any, else the name; what is entered beside it goes before.

    Shape of dcc:measuringEquipments: the schema of the Digital Calibration Certificate 3.2, from memory.
    """
    content = certificates.certificate(equipment=EQUIPMENT)
    setup = config.load_texts(with_dcc(example, content)).setup
    assert of(setup, "P1.temperature").references == ("RT-07", "Climate chamber")
    entered = BOTH.replace("drift = 0.06", 'drift = 0.06\nreferences = ["RT-09"]')
    setup = config.load_texts(with_dcc(example, content, entered)).setup
    assert of(setup, "P1.temperature").references == ("RT-09",)


def test_references_of_a_certificate_in_toml(example: Texts) -> None:
    file = "certificates/AG-0412-T.toml"
    texts = {**config.read_texts(config.example_folder())}
    texts[file] = texts[file].replace('issuer = "', 'references = ["RT-07", "RT-07"]\nissuer = "', 1)
    (certificate,) = (c for c in config.load_texts(texts).setup.certificates if c.number == "AG-0412-T")
    assert certificate.references == ("RT-07",)
