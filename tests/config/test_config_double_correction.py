"""No correction is applied twice: by the instrument and here."""

from __future__ import annotations

import pytest

from logger import config
from logger.errors import ConfigError
from logger.model import Certificate, Setup

Texts = dict[str, str]


def of(setup: Setup, channel: str) -> Certificate:
    return next(c for c in setup.certificates if c.channel == channel)


def faults(texts: Texts) -> list[str]:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts)
    return [str(fault) for fault in refused.value.faults]


def guarded(channel: str = "", certificate: str = "") -> Texts:
    """The example whose P1.temperature, and its certificate, have lines more."""
    texts = config.read_texts(config.example_folder())
    head = "[probes.P1.channels.temperature]\n"
    texts["probes.toml"] = texts["probes.toml"].replace(head, f"{head}{channel}\n", 1)
    file = "certificates/AG-0411-T.toml"
    texts[file] = texts[file].replace("[[points]]", f"{certificate}\n[[points]]", 1)
    return texts


APPLIES = 'applies_certificate = "AG-0411-T"'


def test_a_certificate_that_the_instrument_applies_is_not_applied_again() -> None:
    (fault,) = faults(guarded(APPLIES))
    assert (
        "certificates/AG-0411-T.toml number: expected one correction: applied_by_instrument = true here"
        in fault
    )
    assert "AG-0411-T applied by the instrument AG-0411 and here once more" in fault


def test_applied_by_the_instrument_the_correction_is_zero_and_U_stays() -> None:
    plain = of(config.load_texts(guarded()).setup, "P1.temperature")
    own = of(config.load_texts(guarded(APPLIES, "applied_by_instrument = true")).setup, "P1.temperature")
    assert own.applied_by_instrument
    assert set(own.corrections) == {0.0}
    assert set(plain.corrections) != {0.0}
    assert (own.U, own.k, own.indications, own.range) == (plain.U, plain.k, plain.indications, plain.range)


def test_both_places_must_say_it() -> None:
    (fault,) = faults(guarded("", "applied_by_instrument = true"))
    assert "applied_by_instrument: expected applies_certificate = 'AG-0411-T' of P1.temperature" in fault


def test_what_was_taken_as_left_remains_and_is_corrected_here() -> None:
    """After an adjustment by the same certificate the points are what remains: no second correction."""
    own = of(config.load_texts(guarded(APPLIES, 'taken = "as left"')).setup, "P1.temperature")
    assert set(own.corrections) != {0.0}
    (fault,) = faults(guarded(APPLIES, 'taken = "as found"'))
    assert "once more" in fault


def test_an_older_certificate_inside_the_instrument_is_no_double() -> None:
    """It was inside when the one in use was made, too."""
    own = of(config.load_texts(guarded('applies_certificate = "AG-0411-T-2024"')).setup, "P1.temperature")
    assert set(own.corrections) != {0.0}
