"""A certificate that comes later, entered on page Probes: the effect is shown, two people put it in force."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.parts.certificate_form import certificate_form, document_bytes, new_parts, texts_with
from logger.errors import Refused
from logger.first_room.draft import Draft
from logger.first_room.force import put_in_force
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from tests.formats import certificates

BEGUN_NS = 1_790_978_400 * NS  # 2026-10-03T00:00:00+02:00, by `date -d`
CHANNEL = "P1.temperature"
PAPER = {
    "number": "MG-0511/T 7",
    "issuer": "Example laboratory",
    "calibrated": "2026-09-20",
    "due": "2027-09-20",
    "valid": "2026-10-03",
    "drift": "0,05",
    "basis": "three recalibrations",
    "points": "15.08 15.00 0.06\n25.02 25.00 0.06",
}


@pytest.fixture
def page(answers: dict[str, str], tmp_path: Path) -> Iterator[Queries]:
    """A room without a certificate, a minute after its first reading."""
    put_in_force(Draft(answers), tmp_path / "room", tmp_path / "data", BEGUN_NS)
    with Store.open(tmp_path / "data") as store:
        store.append("bus", [Row(CHANNEL, BEGUN_NS + n * NS, BEGUN_NS + n * NS, 20.05) for n in range(60)])
    source = Source(tmp_path / "data")
    yield Queries(source, lambda: BEGUN_NS + 60 * NS, 5.0)
    source.store.close()


def test_the_effect_is_shown_before_anything_is_proposed(page: Queries) -> None:
    """By hand: 20.05 is corrected by -0.05 K with U = 2·√(0.03² + 0.05²/3 + 0.01²/12) = 0.08 K."""
    texts = texts_with(page, CHANNEL, "enter", PAPER, b"")
    assert sorted(set(texts) - set(page.source.keeping.versions()[-1].texts)) == [
        "certificates/MG-0511-T-7-temperature.toml"
    ]
    text = str(new_parts(page, CHANNEL, texts))
    assert "Newest reading 20.05 °C; by this certificate 20.000 ± 0.083 °C." in text
    assert "+0.08" in text  # the error at 15.08
    assert page.source.keeping.proposals() == []


def test_two_people_put_a_certificate_in_force(page: Queries) -> None:
    texts, keeping = texts_with(page, CHANNEL, "enter", PAPER, b""), page.source.keeping
    number = keeping.propose(texts, "Greta Holm", "calibration of September", page.now_ns())
    with pytest.raises(Refused, match="another person approves it"):
        keeping.approve(number, "Greta Holm", "", page.now_ns())
    keeping.approve(number, "Ines Faber", "", page.now_ns())
    (spot,) = page.spots()
    assert (round(spot.value or 0, 2), round(spot.U or 0, 2), spot.trusted) == (20.00, 0.08, True)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("channel", "kind", "change", "says"),
    [
        ("P9.temperature", "enter", {}, "Channel: choose one of the list."),
        (CHANNEL, "file", {}, "XML file: choose or drop the certificate."),
        (CHANNEL, "enter", {"number": ""}, "Number of the certificate: enter the number on the paper."),
        (CHANNEL, "enter", {"valid": "soon"}, "In use from: enter a day such as 2026-03-02."),
        (CHANNEL, "enter", {"points": "20 20 0.1"}, "Points: enter at least two"),
    ],
)
def test_what_cannot_be_used_says_what_to_enter(
    page: Queries, channel: str, kind: str, change: dict[str, str], says: str
) -> None:
    with pytest.raises(Refused) as refused:
        texts_with(page, channel, kind, PAPER | change, b"")
    assert says in str(refused.value)


@pytest.mark.slow
def test_a_digital_certificate_is_read_from_its_file(page: Queries) -> None:
    """Its own points and due day hold; the serial number must be the probe's."""
    content = certificates.certificate(serial="MG-0511")
    texts = texts_with(page, CHANNEL, "file", PAPER | {"number": "", "points": ""}, content)
    assert "certificates/P1-temperature.xml" in texts
    assert "Newest reading 20.05 °C; by this certificate" in str(new_parts(page, CHANNEL, texts))


@pytest.mark.slow
def test_an_xml_that_is_no_certificate_is_refused(page: Queries) -> None:
    with pytest.raises(Refused):
        texts_with(page, CHANNEL, "file", PAPER, b"<html/>")
    with pytest.raises(Refused, match="upload is incomplete"):
        document_bytes("data:text/xml;base64,@@@")


def test_the_form_stands_on_the_page_for_those_who_may_propose(page: Queries) -> None:
    assert "Enter a certificate" in str(certificate_form(page))
