"""The newest days judged without sealed readings say nothing that the whole record does not say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from logger.bench.record import START_NS, ZONE
from logger.core.judge.days import DAY_NS
from logger.errors import ArchiveAway
from logger.model import REASONS, VERDICT_OF
from logger.store import Store
from logger.verdicts.ledger import Ledger
from logger.verdicts.recent import RECENT_DAYS, judge_recent
from logger.verdicts.verdicts import Verdicts

from .test_lead import BODIES, DAYS, room, rows

FEBRUARY_NS = START_NS + 31 * DAY_NS


@pytest.mark.slow
@pytest.mark.parametrize("bodies", list(BODIES))
@pytest.mark.parametrize("seed", range(6))
def test_a_cell_is_as_the_whole_record_judges_it_or_not_shown(
    tmp_path: Path, bodies: str, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    judged = room(bodies, settling_s=(0, 14_400, 43_200)[seed % 3])
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("made", rows(seed))
        assert store.seal(START_NS + (DAYS + 5) * DAY_NS)
        shown = cells = 0
        for days in (33, 36, 40, 45):
            now_ns = START_NS + days * DAY_NS
            judgement, _, head = judge_recent(Ledger(store, judged), ZONE, now_ns)
            begin_ns = judgement.grid.first * judgement.grid.step_ns
            assert begin_ns >= max(FEBRUARY_NS, now_ns - (RECENT_DAYS + 1) * DAY_NS)
            assert head.until_ns == now_ns
            whole = Verdicts(store, judged).judgement(ZONE, begin_ns, now_ns, now_ns)
            assert whole.grid == judgement.grid
            for mine, its in zip(judgement.reason.tolist(), whole.reason.tolist(), strict=True):
                verdict = VERDICT_OF[REASONS[mine]]
                assert verdict in ("not shown", VERDICT_OF[REASONS[its]])
                shown += verdict != "not shown"
            cells += len(judgement.reason)
        assert shown > cells / 10, (shown, cells)
        _refuse_files(store, monkeypatch)
        assert len(judge_recent(Ledger(store, judged), ZONE, now_ns)[0].reason)


def _refuse_files(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise ArchiveAway("away")

    monkeypatch.setattr(store.archive, "open", refuse)
    with pytest.raises(ArchiveAway):
        store.readings.read("P00.temperature", START_NS, FEBRUARY_NS)


def test_of_fast_probes_fewer_days_are_judged(tmp_path: Path) -> None:
    judged = room("none")
    fast = {c: replace(channel, interval_s=0.1) for c, channel in judged.channels.items()}
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("made", rows(1))
        now_ns = START_NS + 45 * DAY_NS
        for setup, days in ((judged, RECENT_DAYS), (replace(judged, channels=fast), 2)):
            grid = judge_recent(Ledger(store, setup), ZONE, now_ns)[0].grid
            assert grid.first * grid.step_ns == now_ns - days * DAY_NS
