"""Figures: each has an interval, or is not shown, or says why it has none."""

from __future__ import annotations

import pytest

from logger.core.study.figure import Figure, absent
from logger.studies.study import figure_dict


def test_a_figure_without_an_interval_must_say_why() -> None:
    """No code can print a bare number."""
    with pytest.raises(ValueError, match="'lag' has no interval, and does not say why"):
        Figure("lag", 6.0, "h")
    with pytest.raises(ValueError, match="has no number at one end"):
        Figure("lag", 6.0, "h", float("nan"), 9.0)
    with pytest.raises(ValueError, match="has no interval"):
        Figure("lag", 6.0, "h", low=3.0)


def test_why_there_is_no_interval_is_printed_and_stored() -> None:
    """In the one text that page, command and PDF print, and in JSON."""
    item = Figure("lag", 6.0, "h", no_interval="it is a choice.")
    assert item.text == "6.00 h, no interval: it is a choice."
    assert figure_dict(item)["no_interval"] == "it is a choice."
    assert Figure("lag", 6.0, "h", 3.0, 12.0).text == "6.0 h (3.0 to 12.0)"
    assert absent("lag", "h", "5 days recorded.").text == "not shown: 5 days recorded."
