"""Tables show local time with its offset, in summer and in winter; UTC is for JSON alone."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.acts import alarms, conflicts
from logger.config import example_folder
from logger.core.alarms.lifecycle import Alarm, AlarmState
from logger.instants import NS
from logger.model import Row
from logger.people import Tokens
from logger.people.tokens import Scope
from logger.store import Store
from logger.store.hot.clocks import UNSURE

SUMMER = 1_792_000_000 * NS  # 2026-10-14T17:46:40Z
WINTER = SUMMER + 30 * 86_400 * NS
UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d\S*Z")
COMMANDS = {
    ("alarm", "list"): ("since", "2026-10-14 19:46 +02:00"),
    ("clock", "list"): ("showed", "2026-10-14 19:46 +02:00"),
    ("conflict", "list"): ("at", "2026-11-13 18:46 +01:00"),
    ("user", "token", "list"): ("until", "2100-01-01 01:00 +01:00"),
}


@pytest.fixture(scope="module")
def room(stillroom: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a shelved alarm, a compared clock, a boot that waits, and a token."""
    data = tmp_path_factory.mktemp("local") / "data"
    to = ("--data", data, "--who", "Greta Holm")
    result = stillroom("config", "apply", "--begin", "--config", example_folder(), *to)
    assert result.returncode == 0, result.stderr
    shelved = replace(
        Alarm("bay-temperature"), condition=AlarmState.UNACKNOWLEDGED, since_ns=SUMMER, shelved_ns=SUMMER,
        shelved_until_ns=WINTER, shelved_by="Greta Holm", shelved_why="being serviced",
    )  # fmt: skip
    with Store.open(data) as store:
        with store.begin() as conn:
            alarms.put_alarm(conn, shelved, SUMMER)
        unsure = Row("P1.temperature", SUMMER, SUMMER, 21.0, source=UNSURE, boot="boot-a", monotonic_ns=NS)
        store.append("poll", [unsure])
        store.clocks.record_doubt("boot-a", SUMMER, "no time server")
        Tokens(store).add("node", [Scope.READINGS], "Greta Holm", until_ns=4_102_444_800 * NS)  # 2100-01-01
    shows, at = "2026-10-14T17:46:40Z", "2026-10-14T17:50:40Z"
    result = stillroom("clock", "compare", "P5", "--shows", shows, "--at", at, *to)
    assert result.returncode == 0, result.stderr
    return data


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_table_prints_local_time_and_its_json_utc(
    stillroom: Any, room: Path, command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    claims = (conflicts.Claim(20.0, "import:a", "a.csv"), conflicts.Claim(21.5, "import:b", "b.csv"))
    listed = [conflicts.Disagreement("P1.temperature", WINTER, claims)]
    monkeypatch.setattr(conflicts, "disagreements", lambda *_, **__: listed)
    key, local = COMMANDS[command]

    printed = stillroom(*command, "--data", room).stdout
    as_json = stillroom(*command, "--data", room, "--json").stdout

    assert local in printed
    assert not UTC.search(printed)
    answer = json.loads(as_json)
    rows = answer["comparisons"] if command[0] == "clock" else answer
    assert UTC.fullmatch(rows[0][key])


def test_a_shelved_alarm_and_a_boot_that_waits_say_it_in_local_time(stillroom: Any, room: Path) -> None:
    shelved = stillroom("alarm", "list", "--data", room).stdout
    assert "shelved by Greta Holm until 2026-11-13 18:46 +01:00: being serviced" in shelved
    boots = stillroom("clock", "list", "--data", room).stdout
    assert re.search(r"boot-a +\d{4}-\d\d-\d\d \d\d:\d\d \+0[12]:00 +1 +no time server", boots)


LISTINGS = (
    "case list", "case causes", "review list", "review show 2026-W43", "review year 2026", "record list",
    "record months --zone machine-bay", "inspection list", "excursion list", "config list", "probe list",
    "campaign list", "case show 1", "verdicts --zone machine-bay --from 2026-10-19 --to 2026-10-20",
    "inspection impact --probe P1 --from 2026-10-19 --to 2026-10-20",
)  # fmt: skip


@pytest.mark.slow
def test_no_listing_of_the_demo_shows_utc(stillroom: Any, demo_copy: Path) -> None:
    shown = {words: stillroom(*words.split(), "--data", demo_copy) for words in LISTINGS}

    assert {words: result.stderr for words, result in shown.items() if result.returncode} == {}
    utc = {words: UTC.findall(result.stdout) for words, result in shown.items()}
    assert {words: times for words, times in utc.items() if times} == {}
