"""Returns of the air handling after a set-back, as the record and its verdicts have them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from ..core.study.channel_record import ChannelRecord
from ..core.study.set_back_return import Return
from ..instants import NS
from ..model.figures import number_of
from .sources import Sources

LONGEST_S = 5 * 86_400  # after a return in which the zone may become ready


def returns_of(sources: Sources, starts_s: Sequence[float], limits: tuple[float, float]) -> list[Return]:
    """Each return with its departure, outdoors, and hours until the zone was stable;
    None: not before the next.
    """
    r = sources.request
    record, outdoors = sources.record(r.channel).record, sources.outdoors()
    periods = sources.verdicts.periods(r.zone, r.from_ns, r.to_ns, sources.now_ns)
    spans = sorted((p.from_ns / NS, p.to_ns / NS) for p in periods if p.verdict == "stable")
    stable = [begin for begin, _ in spans]
    sources.arrays.append(np.array([*stable, *(end for _, end in spans)]))
    middle, items, left_out = sum(limits) / 2, list[Return](), Counter[str]()
    for number, start in enumerate(starts_s):
        level = _mean(record, start, 900)
        if level is None:
            left_out["without a reading at that time"] += 1
            continue
        if any(begin < start < end for begin, end in spans):
            left_out["when the zone was stable already"] += 1
            continue
        following = starts_s[number + 1] if number + 1 < len(starts_s) else np.inf
        last = min(following, start + LONGEST_S)
        ready = next((at for at in stable if start <= at < last), None)
        hours = None if ready is None else (ready - start) / 3600
        weather = None if outdoors is None else _mean(outdoors, start, 3600)
        items.append(Return(int(start), abs(level - middle), weather, hours))
    sources.remarks += [f"{number_of(n, 'return')} {why}: left out." for why, n in left_out.items()]
    return items


def _mean(record: ChannelRecord, start_s: float, length_s: float) -> float | None:
    """Mean of the cells of a while from an instant on; None without any."""
    here = (record.at_s >= start_s) & (record.at_s < start_s + length_s) & np.isfinite(record.value)
    return float(record.value[here].mean()) if here.any() else None
