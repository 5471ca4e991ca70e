"""What page Health says of probes: nothing that nobody measured, and no silence of what only files bring."""

from __future__ import annotations

import json
from pathlib import Path

from logger.acts.inspections import apply_setup
from logger.config import example_folder, load
from logger.instants import NS
from logger.model import Row
from logger.service.health import health
from logger.store import Store

NOW = 1_792_432_800 * NS  # 2026-10-19T18:00:00Z


def test_what_files_bring_is_not_silent_and_no_answering_time_is_invented(tmp_path: Path) -> None:
    """P5 comes by files only: its newest reading is 30 d old and was stored today, no answer in 30 d.
    P1 is asked over a line that takes 400 ms; its rows are stamped when the answer is there, so that how long
    it took is known nowhere. P2 has a line and says nothing for an hour: that is silence, as before.
    """
    example = load(example_folder())
    texts = dict(example.texts)
    head, _, rest = texts["probes.toml"].partition("[probes.P5.connection]")
    assert rest, "the example asks P5 over a line"
    texts["probes.toml"] = head + rest[rest.index("\n[") :]
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        apply_setup(store, texts, "Greta Holm", "first setup", "Ines Faber", NOW - 40 * 86_400 * NS)
        old = NOW - 30 * 86_400 * NS
        store.append("import", [Row("P5.temperature", old, NOW, 20.0, source="import:0123456789ab")])
        store.append("poll", [Row("P1.temperature", NOW - 5 * NS, NOW - 5 * NS, 20.0)])
        store.append("poll", [Row("P2.temperature", NOW - 3600 * NS, NOW - 3600 * NS, 20.0)])
        figures = {f.what: f for f in health(store, example.setup, NOW)}
    assert (figures["P5.temperature"].fault, figures["P5.temperature"].at_ns) == ("", old)
    assert "files" in figures["P5.temperature"].value
    assert figures["P1.temperature"].fault == ""
    assert figures["P2.temperature"].fault == "silent"
    assert not any("ms" in f.value for f in figures.values() if f.group == "Probes")


def test_what_does_not_come_back_is_named_as_the_heartbeat_tells_it(tmp_path: Path) -> None:
    example = load(example_folder())
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        facts = {"at": "2026-10-19T18:00:00Z", "stuck": {"probe P4": "for 40 s"}}
        (store.folder / "heartbeat").write_text(json.dumps(facts), encoding="utf-8")
        (figures,) = [f for f in health(store, example.setup, NOW) if f.what == "probe P4"]
    assert figures.value == "does not respond: for 40 s"
    assert figures.fault
