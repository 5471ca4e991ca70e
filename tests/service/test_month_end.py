"""When a month is over its records are issued once, and what is open is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.config import in_force
from logger.instants import rfc3339
from logger.record.issues import issues
from logger.service.month_end import month_end
from logger.store import Store


@pytest.mark.slow
def test_october_is_issued_once_for_each_zone(demo_copy: Path) -> None:
    with Store.open(demo_copy) as store:
        config = in_force(store.setups.versions())
        now_ns = 1_793_679_000 * 10**9  # 2026-11-03T04:10:00Z, by date(1)
        assert rfc3339(now_ns) == "2026-11-03T04:10:00Z"
        issued = month_end(store, config, now_ns)
        assert (issued["month"], issued["records"]) == ("2026-10", [1, 2])
        assert issued["open_cases"] == 1
        assert {issue.zone for issue in issues(store)} == {"machine-bay", "plate-bench"}
        # The loggers' files begin at 2026-10-11T22:00Z; Vienna's 1 November begins at +01:00.
        spans = {(rfc3339(issue.from_ns), rfc3339(issue.to_ns)) for issue in issues(store)}
        assert spans == {("2026-10-11T22:00:00Z", "2026-10-31T23:00:00Z")}
        assert month_end(store, config, now_ns)["records"] == []
        assert store.verify().intact
