"""The file of page Trend: every reading of the window with both times, U and the verdict of that time."""

from __future__ import annotations

import csv
from typing import Any

import numpy as np
import pytest

from dashboard.app import create_app
from dashboard.data.queries import Queries
from dashboard.parts.trend_file import lines
from dashboard.parts.trend_view import view_of
from logger.instants import NS
from tests.dashboard.synthetic import NOW, Synthetic, value_at
from tests.dashboard.test_who_may import with_token

MINUTE = 60 * NS


def test_every_reading_is_in_the_file(q: Queries) -> None:
    """06:00 to 09:00 local (04:00Z to 07:00Z), a reading a minute of three probes; one is out of limits."""
    view = view_of(q, "?zone=machine-bay&from=2026-10-19T06:00&to=2026-10-19T09:00")
    rows = list(csv.DictReader("".join(lines(q, view)).splitlines()))
    assert len(rows) == 3 * 180
    assert {row["probe"] for row in rows} == {"P1", "P2", "P3"}
    first = rows[0]
    assert (first["time_utc"], first["local_time"]) == ("2026-10-19T04:00:19Z", "2026-10-19 06:00:19 +02:00")
    assert float(first["value"]) == value_at("P1.temperature", np.array([NOW - 600 * MINUTE + 19 * NS]))[0]
    assert (first["U"], first["unit"], first["verdict"]) == ("0.0979", "°C", "stable")
    out = next(row for row in rows if row["time_utc"] == "2026-10-19T06:30:19Z")
    assert (out["verdict"], out["reason"]) == ("not stable", "nonconforming")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("query", "status", "expected"),
    [
        ("zone=plate-bench", 200, "time_utc,"),
        ("zone=attic", 400, "There is no zone 'attic'"),
        ("from=2026-10-19&to=2026-10-18", 400, "“To” must be later than “From”."),
    ],
)
def test_the_route_answers(record: Synthetic, query: str, status: int, expected: str) -> None:
    """As a download; what cannot be read is refused with a sentence."""
    app = create_app(record.store.folder, source=record, now_ns=lambda: record.now)
    client: Any = with_token(app.server.test_client())
    answer = client.get(f"/trend.csv?{query}")
    assert answer.status_code == status
    assert answer.text.startswith(expected)
    assert ("attachment" in answer.headers.get("Content-Disposition", "")) == (status == 200)
