"""What the pages show of a room without a certificate: its values, and that they prove nothing."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.pages import now
from dashboard.parts import todo
from logger.first_room.draft import Draft
from logger.first_room.force import put_in_force
from logger.instants import NS
from logger.model import Row
from logger.store import Store

BEGUN_NS = 1_790_978_400 * NS  # 2026-10-03T00:00:00+02:00, by `date -d`
LATER_NS = BEGUN_NS + 5 * 60 * NS


@pytest.fixture
def page(answers: dict[str, str], tmp_path: Path) -> Iterator[Queries]:
    """The pages five minutes after the first reading."""
    put_in_force(Draft(answers), tmp_path / "room", tmp_path / "data", BEGUN_NS)
    rows = [
        Row(f"P1.{of}", BEGUN_NS + n * 10 * NS, BEGUN_NS + n * 10 * NS, value)
        for n in range(30)
        for of, value in (("temperature", 20.05), ("relative_humidity", 47.0))
    ]
    with Store.open(tmp_path / "data") as store:
        store.append("bus", rows)
    source = Source(tmp_path / "data")
    yield Queries(source, lambda: LATER_NS, 5.0)
    source.store.close()


def text_of(part: object) -> str:
    return json.dumps(part, cls=PlotlyJSONEncoder, ensure_ascii=False)


def test_a_value_without_a_certificate_is_shown_as_indicated(page: Queries) -> None:
    """The value stands there without U; the word says that it is not corrected."""
    (spot,) = page.spots()
    assert (spot.value, spot.U, spot.trusted) == (20.05, None, False)
    text = text_of(now.layout(page, ""))
    assert "20.05 °C" in text
    assert "no certificate: as indicated" in text
    assert "as indicated: no certificate" in text
    assert "± nan" not in text
    assert "U = 0.00" not in text


def test_the_first_hours_say_what_is_missing_and_when_that_ends(page: Queries) -> None:
    """Limit of 1 h: an hour after the first reading; settling of 4 h: four hours after it."""
    text = text_of(todo.rows(page))
    assert (
        "Gear bay: certificate of P1 temperature: without it the zone is not shown and no limit alarms"
        in text
    )
    assert "at 01:00" in text
    assert "at 04:00" in text
