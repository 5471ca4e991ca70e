"""The questions that can be put to a room, in the order in which they are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from ..core.study.channel_record import ChannelRecord
from ..core.study.figure import Answer, Question
from ..errors import Refused
from .jobs import jobs_of
from .sources import QuestionKind, Sources, StudyField
from .weeks import use_of_week, verdict_weeks

Compute = Callable[[], Answer]


def _cycles(sources: Sources) -> Compute:
    from ..core.study.periodicity import regularity

    record = sources.record(sources.request.channel).record
    return lambda: regularity(record)


def _events(sources: Sources) -> Compute:
    from ..core.study.disturbance import disturbance

    instants = sources.instants("events", "--event")
    used = sources.record(sources.request.channel)
    small = used.U / 10 or 0.01
    return lambda: disturbance(used.record, instants, small)


def _change(sources: Sources) -> Compute:
    from ..core.study.intervention import Comparison, before_and_after

    at = sources.instants("at", "--at")
    if len(at) != 1:
        raise Refused("--at: enter the time of one intervention, for example 2026-10-19T10:30.")
    others = tuple(int(s) for s in sources.instants("others", "--other", none=True, beyond=True))
    what = Comparison(int(at[0]), float(sources.request.options.get("left_out_days", 1.0)), others)
    record, outdoors = sources.record(sources.request.channel).record, sources.outdoors()
    return lambda: before_and_after(record, what, outdoors)


def _site(sources: Sources) -> Compute:
    from ..core.study.representativeness import representativeness

    volume = sources.channels("volume", "--volume")
    permanent = sources.channels("permanent", "--permanent", none=True) or [
        key for key in sources.zone_channels() if key not in volume
    ]
    if not permanent:
        raise Refused("--permanent: no probe is left that could stay. Name the candidates.")
    if both := sorted(set(volume) & set(permanent)):
        raise Refused(f"{both[0]} is in the volume and among the candidates. Name it once.")
    um_per_K = sources.um_per_K()
    sources.read_together([*permanent, *volume], sources.request.from_ns, sources.request.to_ns)
    records = {key: sources.record(key).record for key in [*permanent, *volume]}
    return lambda: representativeness(
        {key: records[key] for key in permanent}, {key: records[key] for key in volume}, um_per_K
    )


def _hours(sources: Sources) -> Compute:
    from ..core.study.best_hours import best_hours

    hours = int(sources.request.options.get("hours", 2))
    if not 1 <= hours <= 24:
        raise Refused(f"--hours: expected a whole number from 1 to 24, found {hours}.")
    r = sources.request
    weeks = verdict_weeks(sources.verdicts, r.zone, r.from_ns, r.to_ns, sources.now_ns)
    sources.arrays += [weeks.stable.astype(np.float64), weeks.shown.astype(np.float64)]
    use = use_of_week(sources.verdicts.setup.zone(r.zone).hours_of_use)
    if r.options.get("season"):
        weeks = weeks.of_season()
    return lambda: best_hours(weeks.stable, weeks.shown, hours, use)


def _plan(sources: Sources) -> Compute:
    from ..core.study.slot_plan import slot_plan

    jobs = jobs_of(sources.request.options.get("jobs"))
    r = sources.request
    weeks = verdict_weeks(sources.verdicts, r.zone, r.from_ns, r.to_ns, sources.now_ns, ending=True)
    sources.arrays += [weeks.stable.astype(np.float64), weeks.shown.astype(np.float64)]
    use = use_of_week(sources.verdicts.setup.zone(r.zone).hours_of_use)
    return lambda: slot_plan(weeks.stable, weeks.shown, jobs, weeks.first_day, use)


def _causes(sources: Sources) -> Compute:
    from ..core.study.causes import CELL_S, CauseInputs, causes
    from ..core.study.cycles import search_cycles

    record, outdoors = sources.record(sources.request.channel).record, sources.outdoors()
    doors, um_per_K = sources.instants("events", "--event", none=True), sources.um_per_K()
    length = sources.length_words()
    people = sources.presence("people", "--people", record)

    def compute() -> Answer:
        search = search_cycles(record)
        cycle, u_cycle = search.amplitude(record)
        seen = search.share_in_means(record, max(CELL_S, record.step_s))
        return causes(record, CauseInputs(outdoors, people, doors, cycle, u_cycle, seen), um_per_K, length)

    return compute


def _forecast(sources: Sources) -> Compute:
    from ..core.study.forecast_skill import forecast_skill

    record, limits = sources.record(sources.request.channel).record, sources.limits()
    return lambda: forecast_skill(record, limits)


def _step(sources: Sources) -> Compute:
    from ..core.study.step_response import step_test

    if sources.request.options.get("follows"):
        return _follower(sources)
    steps = sources.instants("steps", "--step", none=True)
    record = sources.record(sources.request.channel).record
    return lambda: step_test(record, steps)


def _follower(sources: Sources) -> Compute:
    from ..core.study.follower import follower

    (air,) = sources.channels("follows", "--follows")[:1]
    body = sources.request.channel
    if air == body:
        raise Refused(
            f"--follows: {air} cannot follow itself. Name the air with it, and what follows by --channel."
        )
    records = sources.record(air).record, sources.record(body).record
    return lambda: follower(*records)


def _map(sources: Sources) -> Compute:
    from ..core.study.mapping import Campaign, mapping

    r, setup = sources.request, sources.verdicts.setup
    if r.options.get("campaign"):
        return _campaign(sources)
    if r.options.get("state"):
        raise Refused("--state is that of a campaign: name it with --campaign. Nothing was computed.")
    channels = sources.channels("positions", "--position", none=True) or sources.zone_channels()
    places = {key: setup.position_at(key, (r.from_ns + r.to_ns) // 2) for key in channels}
    stand = [(key, place.xyz_m) for key, place in places.items() if place is not None]
    for number, (key, point) in enumerate(stand):
        if other := next((name for name, at in stand[:number] if at == point), None):
            raise Refused(
                f"{other} and {key} stand at one place. Name all but one of them with --position, or correct "
                "the place of one in the setup. Nothing was computed."
            )
    sources.read_together(channels, r.from_ns, r.to_ns)
    state = {key: sources.record(key) for key in channels}

    def together(option: str) -> dict[str, ChannelRecord] | None:
        """All probes side by side."""
        ends = sources.span(option, f"--{option}")
        if ends is not None:
            sources.read_together(channels, *ends)
        return None if ends is None else {key: sources.record(key, *ends).record for key in channels}

    limits = sources.limits()
    campaign = Campaign(
        {key: used.record for key, used in state.items()},
        {key: place.xyz_m for key, place in places.items() if place is not None},
        together("before"),
        together("after"),
        limits,
        {key: used.U for key, used in state.items()},
    )
    return lambda: mapping(campaign)


def _campaign(sources: Sources) -> Compute:
    from ..core.study.mapping_states import map_states
    from .campaign_data import campaign_states

    states = campaign_states(sources, str(sources.request.options["campaign"]))
    return lambda: map_states([(item.phase.name, item.campaign) for item in states])


def _return(sources: Sources) -> Compute:
    from ..core.study.set_back_return import Coming, set_back_return
    from .returns import returns_of

    limits = sources.limits()
    if limits is None:
        raise Refused("The zone has no band of air temperature in force; a return needs one to be ready for.")
    starts = sources.instants("returns", "--return")
    returns = returns_of(sources, starts, limits)
    options = sources.request.options
    departures = [item.departure for item in returns]
    usual, outdoors = float(np.median(departures)) if departures else 0.0, options.get("outdoors_C")
    expected = float(options.get("departure_K", usual))
    if "departure_K" in options and not expected > 0:
        raise Refused(f"--departure-K: expected a number above 0, found {expected:g}. Nothing was computed.")
    coming = Coming(expected, None if outdoors is None else float(outdoors))
    return lambda: set_back_return(returns, coming, (limits[1] - limits[0]) / 2)


LENGTH_FIELDS = (
    StudyField("length_mm", "--length-mm", "Length, mm (for µm)"),
    StudyField("material", "--material", "Material", "steel"),
)
KINDS = (
    QuestionKind(
        "causes",
        "What varies, and what to fix first?",
        "Needs 8 weeks; an outdoor probe and the times of doors, as far as they exist.",
        _causes,
        fields=(
            StudyField("events", "--event", "Times of doors, local, separated by commas"),
            StudyField("people", "--people", "People present, as START/END, separated by commas"),
            *LENGTH_FIELDS,
        ),
    ),
    QuestionKind(
        "cycles",
        "What is regular?",
        "Needs 2 days of readings every 60 s for the cycle, 7 days for the day, 4 weeks for the week.",
        _cycles,
    ),
    QuestionKind(
        "events",
        "What disturbs?",
        "Needs 8 events of one kind on 6 days, at different times of the day: doors, people, lamps.",
        _events,
        fields=(StudyField("events", "--event", "Times of the events, local, separated by commas"),),
    ),
    QuestionKind(
        "step",
        "How fast does it follow?",
        "Needs a step (air handling off, then on) with 3 time constants of record after it.",
        _step,
        fields=(
            StudyField("steps", "--step", "Times of the steps, local (empty: find them)"),
            StudyField("follows", "--follows", "Or: the air that the channel follows"),
        ),
    ),
    QuestionKind(
        "hours",
        "When to measure?",
        "Needs 4 whole weeks of verdicts.",
        _hours,
        of_one_channel=False,
        fields=(StudyField("hours", "--hours", "Hours in a row", "2"),),
    ),
    QuestionKind(
        "plan",
        "When in the week to come?",
        "Needs 12 weeks of verdicts, and jobs with the hours that each takes.",
        _plan,
        of_one_channel=False,
        fields=(StudyField("jobs", "--job", "Jobs with their hours, as “Ring gear=3, Bores=2”"),),
    ),
    QuestionKind(
        "forecast",
        "Is the forecast worth anything?",
        "Needs 7 days of readings every 60 s.",
        _forecast,
    ),
    QuestionKind(
        "return",
        "Ready on Monday?",
        "Needs 12 returns of the air handling after a set-back, with verdicts until the zone was ready.",
        _return,
        fields=(
            StudyField("returns", "--return", "Times of the returns, local, separated by commas"),
            StudyField("outdoors_C", "--outdoors-C", "Outdoors at the next one, °C"),
        ),
    ),
    QuestionKind(
        "change",
        "Did it help?",
        "Needs 7 days or more before and after an intervention, and an outdoor probe for the weather.",
        _change,
        fields=(StudyField("at", "--at", "Time of the intervention, local"),),
    ),
    QuestionKind(
        "site",
        "Where to put the probe?",
        "Needs 5 days with probes in the machine's volume and at every place where one could stay.",
        _site,
        of_one_channel=False,
        fields=(
            StudyField("volume", "--volume", "Channels in the volume, separated by commas"),
            *LENGTH_FIELDS,
        ),
    ),
    QuestionKind(
        "map",
        "Where is it too warm?",
        "Needs 9 probes at their positions for 24 h, and all side by side for 2 h before and after.",
        _map,
        of_one_channel=False,
        fields=(
            StudyField("campaign", "--campaign", "Key of a campaign (then nothing else)"),
            StudyField("before", "--before", "Side by side before, START/END"),
            StudyField("after", "--after", "Side by side after, START/END"),
        ),
    ),
)
QUESTIONS: Mapping[Question, QuestionKind] = MappingProxyType({kind.key: kind for kind in KINDS})
