"""Run a study: read what it needs, ask the core, store the answer. Nothing is computed twice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from ..errors import IntervalError, Refused
from ..instants import NS, wall
from ..store import Store
from ..store.hot.studies import StoredStudy
from ..verdicts.verdicts import Verdicts
from .campaign_data import of_campaign
from .questions import QUESTIONS
from .records import zone_channels, zone_of_channel
from .sources import Progress, QuestionKind, Sources
from .study import Study, StudyRequest, digest_of, of_stored, plain


def run_study(
    verdicts: Verdicts, request: StudyRequest, now_ns: int, progress: Progress = lambda _: None
) -> Study:
    """The study of a request, from the store where the same was answered before; stored else.

    Raises Refused or IntervalError with what to enter instead; nothing is stored then.
    """
    kind = QUESTIONS[request.question]
    request = _completed(verdicts, request, kind, now_ns)
    sources = Sources(verdicts, request, now_ns, progress)
    compute = kind.run(sources)  # reads everything; computes nothing yet
    setup = verdicts.setup
    digest = digest_of(request, setup.digest, sources.arrays)
    stored = verdicts.store.studies.get(digest)
    if stored is not None:
        _lead(verdicts.store, stored, now_ns)
        return of_stored(stored)
    progress("computing")
    answer = compute()
    answer = replace(
        answer, tables=plain(answer.tables), remarks=(*answer.remarks, *dict.fromkeys(sources.doubts))
    )
    study = Study(
        request,
        answer,
        tuple(sources.remarks),
        digest,
        setup.version,
        setup.digest,
        now_ns // NS * NS,
        setup.room.simulated,
    )
    verdicts.store.studies.put(study.stored())
    return study


def _lead(store: Store, stored: StoredStudy, now_ns: int) -> None:
    """An answer that is asked for again is the newest again: pages and reports show what was asked last."""
    if not store.read_only:
        store.studies.put(replace(stored, at_ns=max(stored.at_ns, now_ns // NS * NS)))


def _completed(verdicts: Verdicts, request: StudyRequest, kind: QuestionKind, now_ns: int) -> StudyRequest:
    """The request with zone, channel and interval checked; a channel is chosen where one is needed."""
    if request.options.get("campaign"):
        request = of_campaign(request, verdicts.store, now_ns)
    setup = verdicts.setup
    zone = request.zone or (zone_of_channel(setup, request.channel) if request.channel else "")
    setup.zone(zone)
    channel = request.channel
    if kind.of_one_channel and not channel:
        channel = default_channel(verdicts, zone)
    if channel and channel not in setup.channels:
        zone_of_channel(setup, channel)
    if request.from_ns >= request.to_ns:
        raise IntervalError("The interval of the study is empty: its end must be later than its start.")
    if request.from_ns >= now_ns:
        begin = wall(request.from_ns, ZoneInfo(setup.room.timezone))
        raise IntervalError(f"The interval of the study begins at {begin}, which is still to come.")
    return replace(request, zone=zone, channel=channel, options=_plain_options(request.options))


def default_channel(verdicts: Verdicts, zone: str) -> str:
    """The first air temperature of a zone; Refused where no probe measures one."""
    setup = verdicts.setup
    stored = set(verdicts.store.readings.channels())
    for channel in zone_channels(setup, zone):
        places = setup.placements_of(channel)
        media = {setup.positions[p.position].medium for p in places if p.position in setup.positions}
        if channel in stored and "air" in media:
            return channel
    raise Refused(f"Zone {zone!r} has no air temperature in the record. Name a channel with --channel.")


def _plain_options(options: Mapping[str, Any]) -> dict[str, Any]:
    for key, value in options.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise Refused(
                f"--{key.replace('_', '-')}: expected a number, found {value}. Nothing was computed."
            )
    return {str(key): plain(value) for key, value in options.items() if value is not None}
