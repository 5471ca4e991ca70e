"""Files that were never applied are judged aside: what stands in the record stays that of those in force."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts


def test_a_setup_that_was_never_applied_leaves_the_stored_verdicts_alone(
    build: SimpleNamespace, tmp_path: Path
) -> None:
    setup = build.setup((build.rule(),))
    narrow = replace(build.setup((build.rule(lower=19.9, upper=20.1, r=0.0),)), version=0, digest="other")
    taken_ns = [build.at(0) + i * 60 * NS for i in range(600)]
    values = (20.0 + 0.5 * np.sin(np.arange(600) / 30)).tolist()
    now_ns, days = build.at(10), (build.at(0) // (86_400 * NS), build.at(48) // (86_400 * NS))
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("w", [Row("T1.temperature", t, t, v) for t, v in zip(taken_ns, values, strict=True)])
        before = Verdicts(store, setup).periods("bay", build.at(0), now_ns, now_ns)
        remaining = store.verdict_cache.days("bay", *days)
        other = Verdicts(store, narrow)
        live = LiveVerdicts(other)
        assert other.periods("bay", build.at(0), now_ns, now_ns) != before
        assert other.check("bay", build.at(4), build.at(5), now_ns).verdict == "not stable"
        assert other.excursions("bay", build.at(0), now_ns, now_ns)
        live.judge(now_ns)
        assert remaining
        assert store.verdict_cache.days("bay", *days) == remaining
        assert not store.verdict_cache.live()
        assert Verdicts(store, setup).periods("bay", build.at(0), now_ns, now_ns, refresh=False) == before
