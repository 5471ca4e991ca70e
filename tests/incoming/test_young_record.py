"""A record that has just begun: nothing is judged before its first reading, and nothing stops the judging."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from logger.instants import NS
from logger.model import Config, Row, Setup
from logger.store import Store
from logger.store.hot.clocks import UNSURE, ClockComparison
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts

MINUTE, HOUR, DAY = 60 * NS, 3600 * NS, 86_400 * NS
MIDNIGHT = 20_751 * DAY  # 2026-10-25T00:00Z
ZONE = "machine-bay"


@pytest.fixture
def setup(example: Config) -> Setup:
    """As one that was approved: what it says is stored."""
    return replace(example.setup, version=1)


def read(store: Store, first_ns: int, last_ns: int, source: str = "loggers") -> None:
    """A reading a minute of one probe."""
    rows = [Row("P1.temperature", t, t, 20.0, source=source) for t in range(first_ns, last_ns, MINUTE)]
    store.append("import", rows)


def compare(store: Store, clock_ns: int, offset_ns: int) -> None:
    with store.begin() as conn:
        comparison = ClockComparison("P1", clock_ns, offset_ns)
        store.clocks.record_comparison(comparison, "Greta Holm", "read out", conn)


def judged_from(verdicts: Verdicts, now_ns: int) -> int:
    """Where the first stored period begins."""
    return verdicts.periods(ZONE, -DAY, now_ns, now_ns, refresh=False)[0].from_ns


@pytest.mark.slow
@pytest.mark.parametrize("after_s", [0, 1, 59, 60, 61, 3599, 3600, 7260])
def test_the_first_minutes_of_a_record_are_judged_from_the_first_reading_on(
    store: Store, setup: Setup, after_s: int
) -> None:
    """Whatever second it begins and is asked in, also around midnight: no period lies before it."""
    for first_ns in (MIDNIGHT, MIDNIGHT + 10 * NS, MIDNIGHT + 7 * HOUR + 30 * NS, MIDNIGHT + DAY - 5 * NS):
        verdicts = Verdicts(store, setup)
        live = LiveVerdicts(verdicts)
        store.append("import", [Row("P1.temperature", first_ns, first_ns, 20.0, source="loggers")])
        now_ns = first_ns + after_s * NS
        live.judge(now_ns)
        first = min(MIDNIGHT, first_ns) // MINUTE * MINUTE
        result = verdicts.periods(ZONE, -DAY, now_ns, now_ns, refresh=False)
        assert all(period.from_ns >= first for period in result)


def test_before_its_first_reading_a_room_is_not_judged(store: Store, setup: Setup) -> None:
    """A record that begins at 07:00 has no verdict of the night before, and its statement does not say so."""
    begin, now = MIDNIGHT + 7 * HOUR, MIDNIGHT + 8 * HOUR
    read(store, begin, now)
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(now)
    assert judged_from(verdicts, now) == begin
    text = json.loads(store.verdict_cache.live()[ZONE])
    assert text["since"] == "2026-10-25T07:00:00Z"
    read(store, begin - DAY, begin - DAY + HOUR)  # a logger's file comes later and reaches further back
    live.judge(now + MINUTE)
    assert judged_from(verdicts, now) == begin - DAY


def test_the_first_comparison_of_a_clock_leaves_the_beginning_of_the_record_where_it_is(
    store: Store, setup: Setup
) -> None:
    """Readings are moved from the first on; the years before them are nobody's record."""
    read(store, MIDNIGHT, MIDNIGHT + DAY)
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(MIDNIGHT + DAY)
    compare(store, MIDNIGHT + DAY, 240 * NS)
    for now in (MIDNIGHT + DAY + MINUTE, MIDNIGHT + DAY + 2 * MINUTE):
        live.judge(now)
        # 240 s fast: the first reading was taken four minutes earlier than it says
        assert judged_from(verdicts, now) == MIDNIGHT - 240 * NS
        assert json.loads(store.verdict_cache.live()[ZONE])["at"][:10] == "2026-10-26"


def test_a_clock_set_after_the_start_leaves_the_record_where_its_readings_were_taken(
    store: Store, setup: Setup
) -> None:
    """A machine starts in 1970 and is set an hour later: its readings lie in 2026, and so do verdicts."""
    start = MIDNIGHT + 7 * HOUR

    def row(at: int) -> Row:
        return Row("P1.temperature", at, at, 20.0, source=UNSURE, boot="boot-a", monotonic_ns=at)

    store.append("poll", [row(t) for t in range(5 * NS, HOUR, MINUTE)])
    store.clocks.record_doubt("boot-a", 0, "it shows 1970")
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(start + HOUR)  # nobody knows when they were taken: nothing is judged
    assert verdicts.stored_until(ZONE) is None
    with store.begin() as conn:
        store.clocks.record_correction("boot-a", start, "Greta Holm", "radio clock", conn)
    for minute in range(3):
        now = start + HOUR + minute * MINUTE
        read(store, now, now + NS, source="poll")
        live.judge(now + MINUTE)
        assert judged_from(verdicts, now + MINUTE) == start
    assert store.readings.extent() == (start + 5 * NS, start + HOUR + 2 * MINUTE)


def test_a_ledger_that_once_began_in_1970_goes_on_today(store: Store, setup: Setup) -> None:
    """Rooms that an earlier version left with verdicts from 1970 on are judged again from their readings."""
    read(store, MIDNIGHT, MIDNIGHT + HOUR)
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(MIDNIGHT + HOUR)
    head = json.loads((verdicts.ledger.cache.day(ZONE, -1) or ("", ""))[1])
    old = json.dumps(head | {"first_day": 0, "context": "an earlier judge"})
    store.verdict_cache.put_days(ZONE, {-1: ("an earlier judge", old)})
    again = Verdicts(store, setup)
    live_again = LiveVerdicts(again)
    live_again.judge(MIDNIGHT + HOUR + MINUTE)
    now = MIDNIGHT + HOUR + MINUTE
    assert judged_from(again, now) == MIDNIGHT
    current = again.current(ZONE)
    assert current is not None
    assert current.from_ns == MIDNIGHT


def test_readings_of_tomorrow_do_not_stop_the_judging(store: Store, setup: Setup) -> None:
    """A logger that is a day fast feeds the first file: nothing can be judged yet, and nothing fails."""
    read(store, MIDNIGHT + DAY, MIDNIGHT + DAY + HOUR)
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(MIDNIGHT)
    assert verdicts.stored_until(ZONE) is None
    live.judge(MIDNIGHT + DAY + 2 * HOUR)
    assert judged_from(verdicts, MIDNIGHT + DAY + 2 * HOUR) == MIDNIGHT + DAY


def test_the_first_import_of_old_files_is_judged_from_their_first_reading(store: Store, setup: Setup) -> None:
    """Two years before a record that runs already, and the minute goes on."""
    read(store, MIDNIGHT, MIDNIGHT + HOUR, source="poll")
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(MIDNIGHT + HOUR)
    read(store, MIDNIGHT - 40 * DAY + 30 * NS, MIDNIGHT - 40 * DAY + HOUR)
    live.judge(MIDNIGHT + HOUR + MINUTE)
    assert judged_from(verdicts, MIDNIGHT + HOUR) == MIDNIGHT - 40 * DAY
    read(store, MIDNIGHT + HOUR, MIDNIGHT + HOUR + NS, source="poll")
    live.judge(MIDNIGHT + HOUR + 2 * MINUTE)
    assert verdicts.stored_until(ZONE) == MIDNIGHT + HOUR + 2 * MINUTE


def test_what_a_young_record_lacks_is_said(store: Store, setup: Setup) -> None:
    """The span in 1 h needs an hour of readings: nothing was lost, the record has just begun."""
    channels = setup.channels_in(ZONE)
    begin = MIDNIGHT + 7 * HOUR
    visible = {"temperature": 20.0, "relative_humidity": 45.0, "pressure": 1013.0}
    for minute in range(90):
        at = begin + minute * MINUTE
        store.append(
            "poll", [Row(c, at, at, visible[setup.channels[c].quantity], source="poll") for c in channels]
        )
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    live.judge(begin + 10 * MINUTE)
    # 07:00Z of 25 October is 08:00 in Vienna: that morning the clock has gone back to +01:00
    text = json.loads(store.verdict_cache.live()[ZONE])["next_step"]
    assert text == (
        "Span in 1 h: P1, readings began at 08:00; it needs 1 h of them and can be judged from 09:00 on if "
        "none are lost."
    )
    live.judge(begin + 70 * MINUTE)
    text = json.loads(store.verdict_cache.live()[ZONE])["next_step"]
    assert text.endswith("can be judged from 2026-10-26 08:00 on if none are lost.")


def test_a_check_of_the_first_hour_says_that_the_record_has_just_begun(store: Store, setup: Setup) -> None:
    """In the sentence, every reason and every rule; a real gap later on is still called a gap."""
    begin = MIDNIGHT + 7 * HOUR  # 08:00 in Vienna
    read(store, begin, begin + 3 * HOUR)
    read(store, begin + 3 * HOUR + 20 * MINUTE, begin + 5 * HOUR)
    verdicts = Verdicts(store, setup)
    hourly = next(r.key for r in setup.rules if r.zone == ZONE and r.window_s == 3600 and r.kind == "span")

    def reasons(from_ns: int, to_ns: int) -> set[str]:
        result = verdicts.check(ZONE, from_ns, to_ns, begin + 5 * HOUR, pre_window_s=0)
        return {c.why for c in (*result.causes, *result.rules) if c.rule == hourly and c.why}

    assert reasons(begin + 10 * MINUTE, begin + 40 * MINUTE) == {
        "readings began at 08:00; it needs 1 h of them and can be judged from 09:00 on if none are lost"
    }
    (lost,) = reasons(begin + 3 * HOUR + 25 * MINUTE, begin + 4 * HOUR)
    assert lost.startswith("a gap of more than 5 min in the last 1 h")
    states = verdicts.rule_states(ZONE, begin + 30 * MINUTE, begin + 5 * HOUR)
    (state,) = (s for s in states if s.rule == hourly)
    assert state.why.startswith("readings began at 08:00; it needs 1 h of them")
