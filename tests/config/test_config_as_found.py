"""Errors as found in a certificate's file, their sign, and what is refused."""

from __future__ import annotations

import pytest

from logger import config
from logger.errors import ConfigError
from logger.model import AsFound, Certificate

FILE = "certificates/AG-0411-T.toml"
POINTS = """
[[as_found]]
indication = 25.20
reference = 25.00

[[as_found]]
indication = 20.30
reference = 20.00
error = +0.30
"""


def example(model: str = 'as_found_model = "linear"\n', points: str = POINTS) -> dict[str, str]:
    texts = config.read_texts(config.example_folder())
    head, mark, tail = texts[FILE].partition("\n[[points]]")
    return texts | {FILE: f"{head}\n{model}{mark}{tail}{points}"}


def paper(texts: dict[str, str]) -> Certificate:
    result = config.load_texts(texts).setup.certificates
    return next(c for c in result if c.number == "AG-0411-T")


def test_errors_are_indication_minus_reference_and_ascend() -> None:
    assert paper(example()).as_found == AsFound((20.30, 25.20), (0.30, 0.20), "linear")


def test_without_a_model_they_are_kept_and_nothing_follows() -> None:
    assert paper(example(model="")).as_found == AsFound((20.30, 25.20), (0.30, 0.20), "")


def test_a_certificate_without_them_has_none() -> None:
    assert paper(example(model="", points="")).as_found is None


def test_the_day_of_calibration_is_local_to_the_room() -> None:
    """2026-09-08 in Vienna begins at 2026-09-07T22:00Z."""
    assert paper(example()).calibrated_ns == 1_788_818_400_000_000_000


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (example(points=POINTS.replace("+0.30", "-0.30")), "expected indication - reference, which is +0.3"),
        (example(points=POINTS.replace("25.20", "20.30")), "expected one point for each indication"),
        (
            example(points="\n[[as_found]]\nindication = 20.0\n"),
            "expected `reference` or `error`, found neither",
        ),
        (example(points=""), "as_found_model: expected the errors in [[as_found]] that it belongs to"),
        (example(model='as_found_model = "jump"\n'), "as_found_model: expected 'step' or 'linear'"),
    ],
    ids=["sign turned", "one place twice", "no error", "a model of nothing", "no such model"],
)
def test_what_cannot_be_is_refused(texts: dict[str, str], words: str) -> None:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts)
    assert words in str(refused.value)
