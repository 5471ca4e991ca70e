"""The questions that can be put to a room, in the order in which they are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from ..core.study.figure import Answer, Question
from ..errors import Refused
from ..instants import NS
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
        raise Refused("--at: enter the instant of one intervention, for example 2026-10-19T10:30.")
    others = tuple(int(s) for s in sources.instants("others", "--other", none=True))
    what = Comparison(int(at[0]), float(sources.request.options.get("left_out_days", 1.0)), others)
    if not sources.request.from_ns < at[0] * NS < sources.request.to_ns:
        raise Refused("--at: the intervention lies outside the interval. Choose one that holds it.")
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
        raise Refused(f"{both[0]} stands in the volume and among the candidates. Name it once.")
    um_per_K = sources.um_per_K()
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
    sources.arrays += [weeks.stable.astype(np.float64), weeks.known.astype(np.float64)]
    use = use_of_week(sources.verdicts.setup.zone(r.zone).hours_of_use)
    return lambda: best_hours(weeks.stable, weeks.known, hours, use)


KINDS = (
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
        fields=(StudyField("events", "--event", "Times of the events, local, separated by spaces"),),
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
        fields=(StudyField("volume", "--volume", "Channels in the volume, separated by spaces"),),
    ),
)
QUESTIONS: Mapping[Question, QuestionKind] = MappingProxyType({kind.key: kind for kind in KINDS})
