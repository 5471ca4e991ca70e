"""Another probe at a cable, and a clock that waits for its correction: alarms of the system."""

from __future__ import annotations

from pathlib import Path

from logger.config import example_folder, load_texts, read_texts
from logger.core.alarms.system import WATCHED
from logger.instants import NS
from logger.model import Row
from logger.service.self_check import SelfCheck
from logger.store import Store

NOW_NS = 1_793_000_000 * NS
WHY = "expected serial 'AG-0411', found 'AG-0412'"


def test_another_probe_at_the_line_and_an_unsure_clock_are_told(tmp_path: Path) -> None:
    config = load_texts(read_texts(example_folder()))
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        knowing = SelfCheck(store, config, {})
        row = Row("P1.temperature", NOW_NS, NOW_NS, None, "wrong-probe", WHY)
        store.append("poll", [row])
        facts = knowing.facts(NOW_NS)
        assert WATCHED["probe"].out(facts) == f"probe P1: {WHY}"
        assert WATCHED["clock"].out(facts) == ""
        store.append("poll", [Row("P1.temperature", NOW_NS + NS, NOW_NS + NS, 20.0)])
        assert WATCHED["probe"].out(knowing.facts(NOW_NS + NS)) == ""
        store.clocks.record_doubt("boot-a", 0, "it shows 1970")
        assert "(it shows 1970)" in WATCHED["clock"].out(knowing.facts(NOW_NS))
        with store.begin() as conn:
            store.clocks.record_correction("boot-a", 0, "Greta Holm", "compared", conn)
        assert WATCHED["clock"].out(knowing.facts(NOW_NS)) == ""
