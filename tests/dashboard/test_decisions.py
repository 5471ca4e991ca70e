"""Page Excursions: what is decided there is in the journal, and nothing closes empty."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard.data.queries import Queries
from dashboard.pages.excursions import layout
from dashboard.parts.decisions import address, selected_excursion, word
from logger.acts.dispositions import Findings
from logger.errors import Refused
from logger.model import Excursion
from tests.dashboard.synthetic import NOW, Synthetic

FULL = Findings(
    "weather", "sun on the window", "blind drawn", "none beyond 1 µm", "blind kept", "nothing: 1 µm"
)


@pytest.fixture
def e(record: Synthetic) -> Excursion:
    return record.excursions(None, 0, NOW, NOW)[0]


def search_of(e: Excursion) -> str:
    return address(e).partition("?")[2]


def test_the_address_leads_to_the_form(q: Queries, e: Excursion) -> None:
    from urllib.parse import parse_qsl

    assert selected_excursion(q, dict(parse_qsl(search_of(e)))) == e
    drawn = str(layout(q, "?" + search_of(e)))
    assert "excursion-close" in drawn
    assert "Valve body 4480" in drawn
    assert "excursion-close" not in str(layout(q, ""))
    gone = replace(e, from_ns=e.from_ns - 10**15)
    assert "There is no excursion" in str(layout(q, "?" + search_of(gone)))


def test_it_closes_when_all_is_said_and_decided(q: Queries, record: Synthetic, e: Excursion) -> None:
    assert word(e, record.decided()) == "open"
    with pytest.raises(Refused, match="J2"):
        record.note_excursion(e, FULL, "Ines Faber", NOW, close=True)
    (touched,) = record.touched(e, NOW)
    with pytest.raises(Refused, match="customer"):
        record.decide(touched, ["stands", "", "1 µm of 20 µm"], "Ines Faber")
    record.decide(touched, ["stands", "nothing", "1 µm of 20 µm"], "Ines Faber")
    with pytest.raises(Refused, match="cause"):
        record.note_excursion(e, replace(FULL, cause=""), "Ines Faber", NOW, close=True)
    record.note_excursion(e, FULL, "Ines Faber", NOW, close=True)
    assert word(e, record.decided()) == "closed"
    assert "Closed by Ines Faber" in str(layout(q, "?" + search_of(e)))
