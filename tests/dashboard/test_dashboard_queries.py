"""Views: what stands on a page is what is stored, and what is too old loses its place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from dash import no_update

from dashboard.charts import figures
from dashboard.charts.build import live_chart, window_chart
from dashboard.charts.figures import offset_braces
from dashboard.charts.live import cursor_dict, cursor_of, extension, known_of, live_tick, new_points
from dashboard.data.queries import Queries
from dashboard.data.statements import statement
from dashboard.data.words import field_text, instant, quantity_name
from dashboard.pages.inspections import _verdict_of
from dashboard.parts import todo as hands
from dashboard.parts.alert import header_clock
from dashboard.parts.todo import alarm_words
from logger.acts.setup import apply_setup
from logger.core.alarms.lifecycle import AlarmState
from logger.core.measurement.soak import constant_from_size, parse_sizes, plan_soak
from logger.core.physics.thermal import body_of
from logger.errors import IntervalError, Refused, UnknownName
from logger.inspections.assess import Question
from logger.instants import NS
from logger.model import Inspection, Row
from tests.dashboard.synthetic import HOUR, NOW, START, Synthetic, setup
from tests.dashboard.synthetic_setup import texts

MINUTE = 60 * NS


def test_statement_is_the_stored_one(q: Queries) -> None:
    """Verdict and sentence come from the service, rules with their numbers."""
    bay, bench = q.statements()
    assert (bay.verdict, bench.verdict) == ("stable", "not shown")
    assert [r.rule for r in bay.rules][:2] == ["machine-bay.temperature", "machine-bay.span-1h"]
    # k = 2; certificate 0.06/2, drift 0.06/√3, other 0.015, noise 0.008, resolution 0.01/√12 (K)
    assert pytest.approx(2 * 0.04896, abs=1e-4) == bay.rules[0].U


@pytest.mark.parametrize(
    ("age_s", "verdict"), [(60, "stable"), (179, "stable"), (181, "not shown"), (86_400, "not shown")]
)
def test_old_statement_is_not_believed(q: Queries, record: Synthetic, age_s: int, verdict: str) -> None:
    """Past three minutes a stable zone is not shown, and its age is told."""
    record.age_statements(age_s)
    bay = q.statements()[0]
    assert bay.verdict == verdict
    assert ("No verdict for" in bay.sentence) == (verdict == "not shown")


def test_silent_service_is_told(q: Queries, record: Synthetic, monkeypatch: pytest.MonkeyPatch) -> None:
    """A zone that was never judged is not shown and says what to do."""
    monkeypatch.setattr(record, "live", dict)
    bay = q.statements()[0]
    assert bay.verdict == "not shown"
    assert "stillroom run" in bay.next_step


@pytest.mark.parametrize(
    ("ahead", "expected"),
    [
        (None, "since 13:16"),
        ({"until": NOW + HOUR}, "since 13:16. No limit expected to be reached before 17:00"),
        (
            {
                "until": NOW + 20 * MINUTE,
                "earliest": NOW + 15 * MINUTE,
                "latest": None,
                "rule": "machine-bay.temperature",
                "name": "temperature",
                "probe": "P2",
                "limit": 20.5,
                "unit": "degC",
            },
            "since 13:16. P2 is expected to reach 20.5 °C at about 16:20 (not before 16:15)",
        ),
    ],
    ids=["not known", "quiet", "a ramp"],
)
def test_until_when_is_told_beside_since_when(record: Synthetic, ahead: Any, expected: str) -> None:
    """The forecast that the service stored; a word that is too old has none."""
    zone, body = setup().zone("machine-bay"), {**record.live()["machine-bay"], "ahead": ahead}
    assert statement(zone, body, NOW).when(NOW, "Europe/Vienna") == expected
    assert statement(zone, body, NOW + HOUR).when(NOW + HOUR, "Europe/Vienna") == ""


def test_no_forecast_stands_beside_a_value_that_is_out_of_limits(q: Queries, record: Synthetic) -> None:
    """The service saw a quiet room a minute ago; a probe has been beyond its limit for seconds."""
    body = {**record.live()["machine-bay"], "ahead": {"until": NOW + HOUR}}
    record.live = lambda: {**Synthetic.live(record), "machine-bay": body}  # type: ignore[method-assign]
    assert q.statements()[0].ahead is not None
    record.add(Row("P1.temperature", NOW, NOW, 20.53))
    assert q.statements()[0].ahead is None


def test_a_new_room_says_that_readings_have_begun(
    q: Queries, record: Synthetic, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A value of nine seconds ago and no verdict yet: no order to start what runs."""
    monkeypatch.setattr(record, "live", dict)
    monkeypatch.setattr(record, "extent", lambda: (NOW - 9 * NS, NOW - 9 * NS))
    assert q.statements()[0].next_step.startswith("Readings have begun.")


def test_no_task_is_no_word_on_the_room(q: Queries, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing to do is said where every zone is stable, and nowhere else."""
    for part in ("_alarms", "_running", "_soaking", "_cases", "_overdue"):
        monkeypatch.setattr(hands, part, lambda _: [])
    (row,) = hands.rows(q)
    assert "Nothing to do" not in str(row)
    assert "Plate bench is not shown: see above." in str(row)


def test_a_value_is_stale_after_three_of_its_own_intervals(
    q: Queries, record: Synthetic, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every 5 s: stale after 30 s and not before; every 600 s: not for half an hour. The header names it."""
    channels = {
        key: replace(c, interval_s=5.0 if key == "P1.temperature" else 600.0)
        for key, c in record.setup().channels.items()
    }
    slower = replace(record.setup(), channels=channels)
    monkeypatch.setattr(record, "setup", lambda: slower)
    for key in channels:
        record.add(Row(key, NOW, NOW, 20.0))
    record.now = NOW + 29 * NS
    assert q.stale() == []
    record.now = NOW + 31 * NS
    assert q.stale() == [("P1.temperature", 31.0)]
    assert "no value of P1 for 31 s" in str(header_clock(q))
    record.now = NOW + 1801 * NS
    assert len(q.stale()) == len([key for key in channels if q.position_of(key)])


def test_a_soaking_part_is_listed_for_those_who_may_see_jobs(q: Queries, record: Synthetic) -> None:
    """What is in the room, from how warm, and when it will be ready."""
    steel = constant_from_size(
        body_of("steel"), "cuboid", parse_sizes("100x35x9", "cuboid"), "still", on_plate=False
    )
    record.begin_soak(
        "machine-bay", "Ring set", 26.0, plan_soak(steel, 26.0, 20.0, 0.1, ""), who="Greta Holm", now_ns=NOW
    )
    (row,) = [r for r in hands.rows(q) if "Ring set" in str(r)]
    assert "Soaking: Ring set, Machine bay" in str(row)
    assert "ready 17:43" in str(row)  # from 6 K to 0.1 K: ln 60 = 4.09 time constants of 25.2 min


def test_alarms_that_await_come_first(q: Queries, record: Synthetic) -> None:
    """An unacknowledged alarm awaits a person; an acknowledged one is listed but does not."""
    assert q.alarms() == []
    record.raise_alarm()
    assert [a.awaiting for a in q.alarms()] == [True]
    q.acknowledge(["bay-temperature"], "Radek Sova", "seen")
    assert [(a.awaiting, a.alarm.state) for a in q.alarms()] == [(False, AlarmState.ACKNOWLEDGED)]


def test_silent_sources_are_an_alarm_that_needs_a_hand(q: Queries, record: Synthetic) -> None:
    """No setup declares it, and it must be on the page all the same, to be acknowledged there."""
    record.fall_silent()
    (alarm,) = q.alarms()
    assert alarm.awaiting
    what, _ = alarm_words(alarm, q)
    assert what == f"{q.zone('machine-bay').name}: no reading from P1 temperature, P2 temperature"


@pytest.mark.parametrize(("who", "comment"), [("", "seen"), ("Radek", " ")], ids=["no name", "no comment"])
def test_acknowledging_wants_name_and_comment(q: Queries, record: Synthetic, who: str, comment: str) -> None:
    """Without either nothing is changed."""
    record.raise_alarm()
    with pytest.raises(Refused, match=r"expected your name|Enter a comment: what you saw"):
        q.acknowledge(["bay-temperature"], who, comment)
    assert [alarm.awaiting for alarm in q.alarms()] == [True]


def test_overdue_probe_is_found(q: Queries) -> None:
    """P6 and nothing else."""
    assert {o.channel for o in q.overdue()} == {"P6.temperature", "P6.relative_humidity"}


def test_ticks_heal_a_sleeping_tab(q: Queries, record: Synthetic) -> None:
    """All rows after the cursor come at once, none twice, and a silence breaks the line."""
    zones = ["machine-bay", "plate-bench"]
    cursor = cursor_dict(q.news(-1)[1], [(NOW - MINUTE) // 1_000_000, *[None] * 11])  # 6 probes, 2 lines each
    for minute in (0, 1, 30):
        record.add(Row("P1.temperature", NOW + minute * MINUTE, NOW, 20.0 + minute))
    extended, _, after = live_tick(q, 1, cursor, zones)
    assert list(extended) == ["machine-bay"]
    data, where, _ = extended["machine-bay"]
    assert where == [3]
    assert data["y"] == [[20.0, 21.0, None, 50.0]]
    assert data["x"][0][0] == NOW // 1_000_000
    again, _, _ = live_tick(q, 2, after, zones)
    assert again is no_update
    assert known_of(q, after, zones)["P1.temperature"] == (NOW + 30 * MINUTE) // 1_000_000


def test_humidity_is_live_beside_temperature(q: Queries, record: Synthetic) -> None:
    """It has a panel of its own in each zone, and a reading of it goes to its own line there."""
    assert [p.quantity for p in live_chart(q, "plate-bench").panels] == ["temperature", "relative_humidity"]
    cursor = cursor_of(q.cursor(), [live_chart(q, "plate-bench")])
    record.add(Row("P5.relative_humidity", NOW, NOW, 47.25))
    extended, _, _ = live_tick(q, 1, cursor, ["plate-bench"])
    data, where, _ = extended["plate-bench"]
    drawn = figures.build_figure(live_chart(q, "plate-bench"))["data"]
    assert [(drawn[i]["name"], drawn[i]["yaxis"]) for i in where] == [(q.label("P5.temperature"), "y4")]
    assert data["y"] == [[47.25]]


def test_repeated_row_is_not_drawn_twice(q: Queries) -> None:
    """A point that is on the chart already is left out even when it comes again."""
    news = {"P1.temperature": ([NOW, NOW + MINUTE], [20.0, 20.1])}
    assert new_points(q, news, {"P1.temperature": NOW}) == {"P1.temperature": ([NOW + MINUTE], [20.1])}
    assert extension(q, "plate-bench", news) is None


def test_late_rows_do_not_jump_into_a_live_chart(q: Queries, record: Synthetic) -> None:
    """Imported history arrives, but not as a tick."""
    cursor = q.cursor()
    record.add(Row("P1.temperature", NOW - HOUR, NOW, 20.0, late=True))
    assert q.news(cursor)[0] == {}


@pytest.mark.parametrize(
    ("first", "last"),
    [
        (NOW - HOUR, NOW - HOUR),
        (NOW, NOW - HOUR),
        (NOW + HOUR, NOW + 2 * HOUR),
        (NOW - HOUR, NOW + 60 * NS),
    ],
    ids=["empty", "backwards", "future", "its end in the future"],
)
def test_check_refuses_what_is_no_interval(q: Queries, first: int, last: int) -> None:
    """Each with its own sentence."""
    with pytest.raises(IntervalError):
        q.assess(Question("machine-bay", first, last))


def test_check_wants_a_known_zone(q: Queries) -> None:
    """The message lists those that there are."""
    with pytest.raises(UnknownName, match="machine-bay, plate-bench"):
        q.assess(Question("attic", NOW - HOUR, NOW))


def test_inspection_from_start_to_stop(q: Queries, record: Synthetic) -> None:
    """Started now, stopped later, never stopped twice."""
    job = q.start_inspection("machine-bay", " Gear hub ", "Radek Sova")
    assert (job.title, job.from_ns, job.to_ns) == ("Gear hub", NOW, None)
    record.now += HOUR
    assert q.stop_inspection(job.key, "").to_ns == NOW + HOUR
    with pytest.raises(Refused, match="already ended"):
        q.stop_inspection(job.key, "Radek Sova")


@pytest.mark.parametrize(
    "ns", [1_792_888_200, 1_792_891_800, 1_792_418_400], ids=["first 02:30", "second 02:30", "plain day"]
)
def test_written_minute_reads_back(ns: int) -> None:
    """Also in the hour that comes twice: 2026-10-25 02:30 in Vienna, at +02:00 and at +01:00."""
    text = field_text(ns * NS, "Europe/Vienna")
    assert instant(text, "Europe/Vienna", wanted_in="From") == ns * NS


def test_clock_change_is_marked(q: Queries) -> None:
    """A window over 2026-10-25 notes the change at 01:00 UTC, with the offset on either side of it."""
    change = 1_792_890_000 * NS
    chart = window_chart(q, "machine-bay", "temperature", change - 5 * HOUR, change + 5 * HOUR)
    assert chart.notes == [(change, "clock put back: +02:00 to +01:00")]
    flat = [s for s in offset_braces(chart, 400) if s["y0"] == s["y1"]]
    assert len(offset_braces(chart, 400)) == 3 * len(flat) == 6
    (first, second), ms = flat, change // 1_000_000
    assert chart.ms(chart.from_ns) < first["x0"] < first["x1"] < ms < second["x0"] < second["x1"]
    quiet = window_chart(q, "machine-bay", "temperature", change + HOUR, change + 5 * HOUR)
    assert offset_braces(quiet, 400) == []


def test_every_quantity_has_a_name() -> None:
    """A setup may measure what nobody here thought of; the page still draws its list."""
    from dashboard.data.channels import quantities
    from logger.model import DERIVED
    from logger.units import QUANTITIES

    assert all(quantity_name(of) for of in QUANTITIES)
    # Six probes with temperature and humidity have a dew point each; without a barometer no density.
    assert quantities(setup()) == ["temperature", "relative_humidity", "absolute_humidity", "dew_point"]
    assert set(DERIVED) - set(quantities(setup())) == {"refractivity", "air_density"}


def verdicts_of(q: Queries, jobs: list[Inspection]) -> list[tuple[str, str]]:
    """Verdict and leading reason of each, as the table of the page prints them."""
    return [_verdict_of(job, answer) for job, answer in zip(jobs, q.answers(jobs), strict=True)]


def test_job_that_just_began_has_no_answer_yet(q: Queries, record: Synthetic) -> None:
    """Within its first minute a running job is not shown, in words; the present cell is never judged."""
    record.now += 30 * NS
    job = q.start_inspection("machine-bay", "Gear hub", "Radek Sova")
    assert verdicts_of(q, [job])[0] == ("not shown", "less than one minute of readings")
    record.go_on(2)
    assert verdicts_of(q, [job])[0][0] == "stable"


def test_inspection_is_judged_by_the_limits_of_its_activity(q: Queries, record: Synthetic) -> None:
    """On the page as by `stillroom inspection list`: gauge blocks may have limits of their own."""
    keys = ("lower_degC = 19.0", "upper_degC = 19.7", 'activity = "gauge blocks"', 'basis = "by hand"')
    narrow = "\n".join(keys)
    limits = f"{texts()['limits.toml']}\n[rules.machine-bay.temperature-blocks]\n{narrow}\n"
    apply_setup(record.store, {**texts(), "limits.toml": limits}, "Greta Holm", "blocks", "Ines Faber", START)
    general = record.inspections()[0]
    blocks = replace(general, activity="gauge blocks")
    assert [word for word, _ in verdicts_of(q, [general, blocks])] == ["stable", "not stable"]
