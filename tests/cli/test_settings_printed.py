"""The settings by which evidence was judged stand in every output, the same in all of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from logger.config import in_force
from logger.record.facts import record_facts
from logger.record.interval import Interval
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

WHERE = ("--zone", "machine-bay", "--from", "2026-10-20T08:00Z", "--to", "2026-10-20T10:00Z")
SAID = ["settling 4 h", "guard factor r = 1", "pre-window 2 h"]


def test_settings_stand_in_text_json_and_record(stillroom: Any, ask: Any, demo_history: Path) -> None:
    """Settling, guard factor and pre-window always; page and HTTP print the JSON's."""
    _, answer = ask("check", *WHERE)
    assert answer["settings"][:3] == SAID
    text = stillroom("check", *WHERE, "--data", demo_history).stdout
    assert f"settings: {'; '.join(answer['settings'])}" in text
    with Store.open(demo_history) as store:
        setup = in_force(store.setups.versions()).setup
        from_ns = 1_792_483_200 * 10**9  # 2026-10-20T08:00Z
        span = Interval("machine-bay", from_ns, from_ns + 7200 * 10**9, from_ns + 10**15)
        facts = record_facts(store, Verdicts(store, setup), setup, span)
    assert facts["settings"][:2] == SAID[:2]


def test_a_setting_beyond_its_ceiling_is_refused_on_the_command_line(stillroom: Any, tmp_path: Path) -> None:
    """`max_age_s = 86400` is named with its file, its key, and what to enter instead."""
    from logger.config import example_folder, read_texts

    for name, text in read_texts(example_folder()).items():
        file = tmp_path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        header = "[probes.P1.channels.temperature]\n"
        file.write_text(text.replace(header, header + "max_age_s = 86400\n"), encoding="utf-8")
    result = stillroom("config", "check", "--config", tmp_path)
    assert result.returncode != 0
    assert "probes.toml [probes.P1.channels.temperature] max_age_s" in result.stdout + result.stderr
    assert "at most 300 s" in result.stdout + result.stderr
