"""What a mapping campaign reads: means of its channels, wherever their probes stood by the setup.

Readings count that have a value; certificates correct them where there are any. A probe without one takes
part all the same, as it is compared side by side; of its level nothing is said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from ..acts.campaigns import AFTER, BEFORE, CampaignPhase, PlannedCampaign, campaign_of
from ..core.study.channel_record import ChannelRecord
from ..core.study.mapping import Campaign
from ..errors import Refused
from ..instants import NS, wall
from ..series import Float
from ..store import Store
from ..units import QUANTITIES, difference_to_canonical
from .sources import Sources
from .study import StudyRequest


@dataclass(frozen=True)
class CampaignState:
    """One state of a campaign, ready to be compared: its phase and its records by position."""

    phase: CampaignPhase
    campaign: Campaign


def of_campaign(request: StudyRequest, store: Store, now_ns: int) -> StudyRequest:
    """The request over the phases of its campaign, whatever interval was asked for."""
    plan = campaign_of(store, str(request.options["campaign"]))
    if not plan.phases:
        return replace(request, zone=plan.zone)
    first = min(phase.from_ns for phase in plan.phases)
    last = max(phase.to_ns or now_ns for phase in plan.phases)
    return replace(request, zone=plan.zone, channel="", from_ns=first, to_ns=last)


def campaign_states(sources: Sources, key: str) -> list[CampaignState]:
    """States of a campaign with side by side before and after; Refused where there is none to read."""
    plan = campaign_of(sources.verdicts.store, key)
    if not plan.states:
        raise Refused(f"Campaign {key!r} has no state yet: {plan.next_step}. Nothing was computed.")
    state = sources.request.options.get("state")
    states = [phase for phase in plan.states if state in (None, phase.name)]
    if not states:
        names = ", ".join(phase.name for phase in plan.states)
        raise Refused(f"--state: expected one of {names}; found {state!r}. Nothing was computed.")
    before, after = (_side_by_side(sources, plan, name) for name in (BEFORE, AFTER))
    limits, places = sources.limits(), {p.name: p.xyz_m for p in plan.positions}
    ready = []
    for phase in states:
        records, U = _records(sources, plan, phase)
        ready.append(CampaignState(phase, Campaign(records, places, before, after, limits, U)))
    return ready


def _side_by_side(sources: Sources, plan: PlannedCampaign, name: str) -> dict[str, ChannelRecord] | None:
    phase = plan.phase(name)
    if phase is None:
        return None
    return _records(sources, plan, phase)[0]


def _records(
    sources: Sources, plan: PlannedCampaign, phase: CampaignPhase
) -> tuple[dict[str, ChannelRecord], dict[str, float]]:
    """Record and U of each position over a phase."""
    records, U = {}, {}
    for position in plan.positions:
        sources.progress(f"reading {position.channel}")
        record, largest = _record(sources, position.channel, phase)
        records[position.name], U[position.name] = record, largest
        sources.arrays.append(record.value)
        hours = float(np.isfinite(record.value).sum()) * record.step_s / 3600
        sources.remarks.append(f"{phase.name}, {position.name} ({position.channel}): {hours:.1f} h used.")
    if not any(np.isfinite(record.value).any() for record in records.values()):
        begin = wall(phase.from_ns, ZoneInfo(sources.verdicts.setup.room.timezone))
        raise Refused(
            f"No channel of campaign {plan.key!r} has a reading in {phase.name!r} from {begin} on. "
            "Import the loggers' files first; nothing was computed."
        )
    return records, U


def _record(sources: Sources, channel: str, phase: CampaignPhase) -> tuple[ChannelRecord, float]:
    setup = sources.verdicts.setup
    specification, step_s = setup.channels[channel], setup.step_s
    end_ns = min(phase.to_ns or sources.now_ns, sources.now_ns)
    first = -(-phase.from_ns // (step_s * NS))
    n = max(0, end_ns // (step_s * NS) - first)
    taken_ns, readings = sources.verdicts.corrected_readings(channel, phase.from_ns, end_ns)
    every_s = float(np.median(np.diff(taken_ns))) / NS if len(taken_ns) > 2 else specification.interval_s
    step = max(1, round(every_s / step_s)) * step_s
    means = _means(taken_ns // NS - first * step_s, readings.value, step, n * step_s // step)
    U = float(np.nanmax(readings.U, initial=0.0))
    resolution = float(
        difference_to_canonical(specification.resolution, specification.unit, specification.quantity)
    )
    unit, offsets = QUANTITIES[specification.quantity].unit, np.zeros(len(means), np.int64)
    record = ChannelRecord(channel, unit, first * step_s, step, means, offsets, resolution, every_s)
    return record, U


def _means(since_s: np.ndarray[tuple[int], np.dtype[np.int64]], value: Float, step_s: int, n: int) -> Float:
    """Means in n cells of step_s; NaN where none."""
    cell = since_s // step_s
    good = np.isfinite(value) & (cell >= 0) & (cell < n)
    count = np.bincount(cell[good], minlength=n)
    total = np.bincount(cell[good], weights=value[good], minlength=n)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
