"""A setup that changes while verdicts are stored: what is judged again is always enough."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.validity.versions import Version, effective_setup
from logger.instants import NS
from logger.model import Mark, Period, Row, Setup, ThermalBody
from logger.store import Store
from logger.store.hot.tables import mark as mark_table
from logger.verdicts.verdicts import Verdicts
from tests.builders import at, rule, setup

LENGTH_MIN = 3 * 1440
BODY = ThermalBody("bay.granite", "granite", 5400.0, 300.0, 19.6, 20.6)
CHANGES = (
    *("limit", "later limit", "span", "settling", "bodies"),
    *("resolution", "certificate", "overdue", "placement", "words"),
)


def base() -> Setup:
    """A band and a span over one probe, with settling of two hours."""
    span = rule(
        name="span in 1 h", kind="span", window_s=3600, lower=None, upper=0.9, unit="K", disturbs=False
    )
    return setup((rule(upper=20.8), span), settling_s=2 * 3600)


def changed(before: Setup, what: str, hour: int) -> Setup:  # noqa: PLR0911 (one for each kind of change)
    """The next version, with one thing different; `hour` says how much or from when."""
    band, span = before.rules[0], before.rules[1:]
    if what in ("limit", "later limit"):
        begin = at(hour) if what == "later limit" else 0
        return replace(before, rules=(replace(band, upper=20.2 + hour / 100, from_ns=begin), *span))
    if what == "span":
        return replace(before, rules=(band,) if span else (band, base().rules[1]))
    if what in ("settling", "bodies"):
        zone = before.zones["bay"]
        new = (
            replace(zone, settling_s=600 * (hour + 1))
            if what == "settling"
            else replace(zone, bodies=(BODY,))
        )
        return replace(before, zones={"bay": new})
    if what == "resolution":
        channel = before.channels["T1.temperature"]
        return replace(before, channels={channel.key: replace(channel, resolution=0.01 * hour)})
    if what in ("certificate", "overdue"):
        paper = before.certificates[-1]
        new = replace(paper, number=f"C-{hour}", valid_from_ns=at(hour), corrections=(0.1,), due_ns=None)
        late = replace(paper, due_ns=at(hour))
        return replace(before, certificates=(new,) if what == "certificate" else (late,))
    if what == "placement":
        return replace(before, placements=(replace(before.placements[0], from_ns=at(hour / 4)),))
    return replace(before, digest="words", rules=tuple(replace(r, basis="said better") for r in before.rules))


def readings() -> list[Row]:
    """Three days: quiet, two excursions, one over midnight."""
    values = 20.0 + 0.2 * np.sin(np.arange(LENGTH_MIN) / 100)
    values[500:560] += 1.0
    values[1420:1460] += 1.2
    begin = at(0) + 30 * NS
    taken_ns = [begin + i * 60 * NS for i in range(LENGTH_MIN)]
    return [Row("T1.temperature", t, t, float(v)) for t, v in zip(taken_ns, values, strict=True)]


def periods_stored(store: Store, setup: Setup, now_ns: int) -> list[Period]:
    return Verdicts(store, setup).periods("bay", at(0), now_ns, now_ns)


Change = tuple[str, int, bool]
SOME_CHANGES = st.lists(
    st.tuples(st.sampled_from(CHANGES), st.integers(1, 60), st.booleans()), min_size=1, max_size=4
)


@pytest.mark.slow
@settings(max_examples=10)
@given(SOME_CHANGES)
def test_versions_taken_over_one_by_one_end_as_all_at_once(changes: list[Change]) -> None:
    """Judged while readings, marks and versions come in, against one judgement of everything at the end."""
    same_in_the_end(changes)


@pytest.mark.long
@settings(max_examples=300)
@given(SOME_CHANGES)
def test_versions_taken_over_one_by_one_end_as_all_at_once_long(changes: list[Change]) -> None:
    """The same at length."""
    same_in_the_end(changes)


def same_in_the_end(changes: list[Change]) -> None:
    rows, now_ns = readings(), at(72)
    versions = [Version(base(), 0)]
    step = LENGTH_MIN // (len(changes) + 1)
    with (
        tempfile.TemporaryDirectory() as folder,
        Store.open(Path(folder) / "live", create=True, simulated=True) as live,
        Store.open(Path(folder) / "once", create=True, simulated=True) as once,
    ):
        for i, (what, hour, marked) in enumerate(changes):
            live.append("w", rows[i * step : (i + 1) * step])
            periods_stored(live, effective_setup(versions), at((i + 1) * step / 60))
            approved = at((i + 1) * step / 60) + 17 * NS
            number = i + 2
            new = replace(changed(versions[-1].setup, what, hour), version=number)
            versions.append(Version(new, approved, correction=marked and what in ("limit", "settling")))
            if marked:
                for store in (live, once):
                    with store.begin() as conn:
                        mark = Mark("bay", at(hour / 2), at(hour / 2 + 1), "filter", "R")
                        conn.execute(mark_table.insert().values(**vars(mark)))
        live.append("w", rows[len(changes) * step :])
        once.append("w", rows)
        reference = effective_setup(versions)
        assert periods_stored(live, reference, now_ns) == periods_stored(once, reference, now_ns)
