"""Answers to files: what is written is sound, and an answer that cannot be used says what to enter."""

from __future__ import annotations

from datetime import date

import pytest

from logger import config
from logger.errors import Refused
from logger.first_room.draft import Draft
from logger.first_room.files import texts_of
from logger.first_room.force import plan
from logger.first_room.outlook import next_steps

TODAY = date(2026, 11, 29)
HOUR_NS = 3600 * 10**9


def test_four_short_files_come_out_and_are_sound(answers: dict[str, str]) -> None:
    texts = texts_of(Draft(answers), TODAY)
    assert sorted(texts) == ["alarms.toml", "limits.toml", "probes.toml", "room.toml"]
    assert all(len(text.splitlines()) <= 40 for text in texts.values())
    setup = config.load_texts(texts).setup
    rule = next(r for r in setup.rules if r.key == "gear-bay.temperature")
    assert (rule.lower, rule.upper, rule.basis) == (19.5, 20.5, "machine specification, annex B")
    assert setup.positions["at-P1"].xyz_m == (2.1, 1.4, 1.0)
    assert set(setup.channels) == {"P1.temperature", "P1.relative_humidity"}


def test_the_pattern_takes_other_readings_of_the_same_probe(answers: dict[str, str]) -> None:
    """A number that is no reading may change; the readings are those that were named."""
    import re

    line = config.load_texts(texts_of(Draft(answers), TODAY)).lines[0]
    match = re.fullmatch(line.pattern, "TEMP -3.10 C; HUM 8.5 %; N 123456")  # type: ignore[union-attr]
    assert match is not None
    assert match.groupdict() == {"v1": "-3.10", "v2": "8.5"}


def test_a_channel_without_a_certificate_is_named_as_missing(answers: dict[str, str]) -> None:
    loaded = config.load_texts(texts_of(Draft(answers), TODAY))
    assert any("no certificate for P1.temperature" in note for note in config.warnings(loaded))
    steps = next_steps(loaded.setup, loaded.setup.zones["gear-bay"], 0)
    assert [(s.at_ns, s.text.partition(":")[0]) for s in steps] == [
        (None, "certificate of P1 temperature"),
        (0, "first reading"),
        (HOUR_NS, "span in 1 h is known"),
        (4 * HOUR_NS, "with a certificate, stable for the first time, if all limits are kept"),
    ]


def test_the_notes_before_the_last_question_name_things_as_answered(answers: dict[str, str]) -> None:
    """They said "gear-bay.temperature: no certificate for P1.temperature; zone gear-bay is …"."""
    notes = plan(Draft(answers), 1_795_910_400 * 10**9).notes
    assert any("no certificate for P1 temperature; zone " in note for note in notes)
    for key in ("gear-bay.temperature", "P1.temperature", "P1.relative_humidity", "zone gear-bay"):
        assert key not in " ".join(notes)


def test_notes_of_a_room_without_mail_name_no_key_of_a_file(answers: dict[str, str]) -> None:
    """They said "name a mail route … in `routes`, or say in `screen_alone` why …" to who had seen no file."""
    notes = " ".join(plan(Draft(answers | {"mail": ""}), 1_795_910_400 * 10**9).notes)
    assert "goes to the screen alone" in notes
    assert "or state why the screen is enough" in notes
    assert "`" not in notes


def test_a_certificate_from_the_paper_corrects_with_its_sign(certified: dict[str, str]) -> None:
    """correction = reference - indication: at 15.08 it is -0.08 K (computed by hand)."""
    setup = config.load_texts(texts_of(Draft(certified), TODAY)).setup
    (certificate,) = setup.certificates
    assert certificate.indications == (15.08, 25.02)
    assert certificate.corrections == (-0.08, -0.02)
    assert (certificate.U, certificate.drift, certificate.k) == ((0.06, 0.06), 0.05, 2.0)
    assert [s.at_ns for s in next_steps(setup, setup.zones["gear-bay"], 0)] == [0, HOUR_NS, 4 * HOUR_NS]


def test_a_mail_address_becomes_a_route_of_the_alarm(answers: dict[str, str]) -> None:
    more = {
        "mail": "g.holm@works.example",
        "mail.host": "mail.works.example",
        "mail.port": "587",
        "mail.tls": "tls",
    }
    loaded = config.load_texts(texts_of(Draft(answers | more), TODAY))
    assert loaded.setup.alarms[0].routes == ("screen", "custodian")
    assert (loaded.mail[0].recipients, loaded.mail[0].tls) == (("g.holm@works.example",), "tls")


@pytest.mark.parametrize(
    ("key", "entered", "says"),
    [
        ("timezone", "Vienna", "Question 1, The room: Time zone: enter an IANA name such as Europe/Vienna"),
        ("size", "6 4", "enter three lengths in m such as 6 4 3. You entered “6 4”."),
        ("upper", "19", "Upper limit: enter one above the lower limit 19.5 °C. You entered “19”."),
        ("basis", " ", "Question 3, The limits: Basis: enter where the limits come from"),
        ("xyz.P1", "7 1 1", "enter three numbers within the room of 6 × 4 × 3 m"),
        ("interval", "soon", "Seconds between readings: enter a number such as 10. You entered “soon”."),
        ("address", "spy:///dev/ttyUSB0?file=x", "Address: enter a serial port, socket://HOST:PORT"),
        ("unit.v1", "none", "Unit: say which number is a temperature"),
        ("custodian", "", "Question 8, Who is notified: Full name of the custodian: enter a name"),
        ("mail", "greta", "Mail address: enter one such as g.holm@works.example. You entered “greta”."),
        ("certificate.P1.temperature", "enter", "Number of the certificate: enter the number on the paper."),
    ],
)
def test_an_answer_that_cannot_be_used_says_what_to_enter(
    answers: dict[str, str], key: str, entered: str, says: str
) -> None:
    with pytest.raises(Refused) as refused:
        texts_of(Draft(answers | {key: entered}), TODAY)
    assert says in str(refused.value)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("key", "entered", "says"),
    [
        ("points", "15.08 15.00 0.06", "Points: enter at least two"),
        ("points", "15.08 15.00; 25.02 25.00", "enter indication, reference and U"),
        ("points", "15.08 15.00 0; 25.02 25.00 0.06", "enter indication, reference and U"),
        ("due", "2026-03-01", "Due on: enter a day after 2026-03-02"),
        ("calibrated", "2.3.2026", "Calibrated on: enter a day such as 2026-03-02. You entered “2.3.2026”."),
        ("drift", "", "Largest drift: enter a number such as 0.05"),
    ],
)
def test_a_certificate_that_cannot_be_used_says_what_to_enter(
    certified: dict[str, str], key: str, entered: str, says: str
) -> None:
    with pytest.raises(Refused) as refused:
        texts_of(Draft(certified | {f"{key}.P1.temperature": entered}), TODAY)
    assert says in str(refused.value)


def test_names_with_quotes_and_other_letters_stay_as_they_are(answers: dict[str, str]) -> None:
    odd = {"room": 'Room "2" \\ Süd', "zone": "Räume", "basis": 'drawing "47/11", note\t3'}
    setup = config.load_texts(texts_of(Draft(answers | odd), TODAY)).setup
    assert setup.room.name == odd["room"]
    assert next(iter(setup.zones.values())).name == "Räume"
    assert setup.rules[0].basis == odd["basis"]
