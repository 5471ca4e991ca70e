"""The example in config/: loads whole, says what the README says, and shows every key."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from logger import config
from logger.config import schema as config_schema
from logger.config.feasible import rule_U
from logger.errors import ConfigError
from logger.imports import profile_file
from logger.instants import NS
from logger.model import Config
from logger.probes import bacnet, connection_tables, opc_ua, snmp


def test_the_example_has_the_whole_room(example: Config) -> None:
    """Two zones, six probes with two channels each, one barometer, a certificate for each channel."""
    setup = example.setup
    assert set(setup.zones) == {"machine-bay", "plate-bench"}
    assert len(setup.probes) == 7
    assert len(setup.channels) == 13
    assert {c.channel for c in setup.certificates} == set(setup.channels)
    assert setup.room.simulated


def test_every_connected_probe_has_a_line_and_every_temperature_rule_an_alarm(example: Config) -> None:
    assert [line.probe for line in example.lines] == list(example.setup.probes)
    watched = {alarm.rule for alarm in example.setup.alarms}
    assert {r.key for r in example.setup.rules if r.quantity == "temperature"} <= watched


def test_no_warning_of_narrow_limits(example: Config) -> None:
    assert config.warnings(example) == []


def test_uncertainty_of_a_corrected_reading_by_hand(example: Config) -> None:
    """U = 2·√(0.03² + 0.01²/12 + 0.008² + 0.06²/3 + 0.015²) = 0.0979 K; humidity 1.633 %RH. JCGM 100."""
    U = {rule.key: rule_U(rule, example.setup)[0] for rule in example.setup.rules}
    assert U["machine-bay.temperature"] == pytest.approx(0.0979, abs=5e-5)
    assert U["machine-bay.humidity"] == pytest.approx(1.633, abs=5e-4)


def test_due_means_through_the_end_of_the_day_in_the_room(example: Config) -> None:
    """Due 2026-10-21 in Vienna, summer time: overdue from 2026-10-21T22:00Z."""
    certificate = next(c for c in example.setup.certificates if c.number == "AG-0416-T")
    assert certificate.due_ns == int(datetime(2026, 10, 21, 22, tzinfo=UTC).timestamp()) * NS


def test_days_are_local_to_the_room(example: Config) -> None:
    """2026-10-01 in Vienna begins at 2026-09-30T22:00Z."""
    assert example.setup.placements[0].from_ns == int(datetime(2026, 9, 30, 22, tzinfo=UTC).timestamp()) * NS


def test_corrections_are_reference_minus_indication(example: Config) -> None:
    """The worked point of AG-0411-T: indicates 20.01, reference 20.00, correction −0.01."""
    certificate = next(c for c in example.setup.certificates if c.number == "AG-0411-T")
    assert dict(zip(certificate.indications, certificate.corrections, strict=True))[20.01] == -0.01


def test_defaults_follow_the_sampling_interval_and_the_medium(example: Config) -> None:
    channels = example.setup.channels
    assert channels["P1.temperature"].max_age_s == 180.0
    assert channels["P2.temperature"].flat_n == 30  # air
    assert channels["P3.temperature"].flat_n == 0  # scale
    assert channels["P5.temperature"].flat_n == 0  # plate
    assert channels["B1.pressure"].noise == 0.05


def test_names_as_printed(example: Config) -> None:
    names = {rule.key: rule.name for rule in example.setup.rules}
    assert names["machine-bay.span-24h"] == "span in 24 h"
    assert names["machine-bay.gradient"] == "gradient along the pair"
    assert names["plate-bench.humidity"] == "relative humidity"


def test_stored_texts_give_the_same_setup(example: Config) -> None:
    again = config.load_texts(example.texts, version=3)
    assert again.setup.version == 3
    assert again.setup.digest == example.setup.digest
    assert again.setup.rules == example.setup.rules


def test_the_digest_knows_every_character_but_not_the_line_ends(example: Config) -> None:
    texts = dict(example.texts)
    windows = {file: text.replace("\n", "\r\n") for file, text in texts.items()}
    changed = texts | {"limits.toml": texts["limits.toml"] + "# one more line\n"}
    assert config.digest(windows) == config.digest(texts)
    assert config.digest(changed) != config.digest(texts)


_TABLES = [
    table
    for module in (config_schema, connection_tables, profile_file, opc_ua, snmp, bacnet)
    for table in vars(module).values()
    if isinstance(table, type) and issubclass(table, config_schema.BaseModel) and table.model_fields
]


@pytest.mark.parametrize("table", _TABLES, ids=lambda t: t.__name__)
def test_every_key_is_shown_in_the_example(table: type[config_schema.BaseModel]) -> None:
    """A key that nobody shows is a key that nobody finds."""
    texts = "\n".join(config.read_texts(config.example_folder()).values())
    keys = [field.alias or name for name, field in table.model_fields.items()]
    visible = [k for k in keys if re.search(rf"(?m)(^|[\[#{{,.:]\s*|\s){re.escape(k)}(\s*[=,.\]]|$)", texts)]
    assert set(keys) - set(visible) == set()


def test_reviews_and_monthly_records_are_wanted_unless_a_file_says_otherwise(example: Config) -> None:
    assert (example.reviews, example.monthly_records) == (("daily", "weekly", "monthly"), True)
    text = "[reviews]\nevery = ['weekly']\n[records]\nmonthly = false\n"
    sentence = dict(example.texts) | {"service.toml": text}
    other = config.load_texts(sentence)
    assert (other.reviews, other.monthly_records) == (("weekly",), False)
    with pytest.raises(ConfigError, match="every"):
        config.load_texts(sentence | {"service.toml": '[reviews]\nevery = ["hourly"]\n'})
