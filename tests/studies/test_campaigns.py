"""Campaigns from the plan to the close, by the commands: planted positions are named; a fault loses nothing.

The room is invented: ten loggers, one position 0.6 K warmer, offsets of the loggers within ±0.05 K, one that
was knocked, one that fails in the middle.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.acts import campaigns as acts
from logger.acts.setup import apply_setup
from logger.config import example_folder, in_force, read_texts
from logger.errors import Refused
from logger.instants import NS, parse
from logger.model import Row
from logger.record.proof import verify_record
from logger.store import Store
from logger.studies.campaign_close import closable_campaign, close_with_digest
from tests.command_line import Run

UTC_MORNING = parse("2026-10-12T06:00Z", acts.UTC)
HOUR = 3600 * NS
NAMES = tuple(f"M{number}" for number in range(1, 11))
LOGGER = """
[probes.{key}]
serial = "AG-07{number:02d}"
description = "logger of the campaign"

[probes.{key}.channels.temperature]
quantity = "temperature"
unit = "degC"
resolution = 0.01
probe_span = [-40.0, 60.0]

[[placements]]
probe = "{key}"
position = "bench-air"
from = 2026-09-01
to = 2026-09-02T00:00:00
"""


def positions(file: Path, *, same: bool = False) -> Path:
    """Eight corners, the centre and one more, as a table."""
    corners = [(x, y, z) for z in (0.8, 2.0) for y in (1.5, 4.0) for x in (1.5, 4.0)]
    places = [*corners, (2.7, 2.7, 1.4), (2.7, 2.7, 1.4) if same else (3.2, 1.5, 1.4)]
    lines = ["position,x_m,y_m,z_m,channel"]
    lines += [f"{n},{x},{y},{z},{n}.temperature" for n, (x, y, z) in zip(NAMES, places, strict=True)]
    file.write_text("\n".join(lines) + "\n")
    return file


def phases(base: int) -> dict[str, tuple[int, int]]:
    """Two hours side by side, 26 h empty, 26 h in use, two hours side by side."""
    at = [base + hours * HOUR for hours in (0, 2, 3, 29, 30, 56, 57, 59)]
    return dict(zip(("before", "empty", "in use", "after"), zip(at[::2], at[1::2], strict=True), strict=True))


def readings() -> list[Row]:
    """Every minute; M3 stands warm by 0.6 K, M6 is knocked by 0.2 K after, M9 fails while "in use"."""
    chance = np.random.default_rng(3)
    offsets = dict(zip(NAMES, chance.uniform(-0.05, 0.05, 10), strict=True))
    rows = []
    for phase, (begin, end) in phases(UTC_MORNING).items():
        for at in range(begin, end, 60 * NS):
            air = 20 + 0.05 * np.sin(at / NS / 3600) + (0.15 if phase == "in use" else 0.0)
            for name in NAMES:
                if name == "M9" and phase == "in use" and at > begin + 17 * HOUR:
                    continue
                value = air + offsets[name] + 0.004 * chance.normal()
                value += 0.6 if name == "M3" and phase in ("empty", "in use") else 0.0
                value += 0.2 if name == "M6" and phase == "after" else 0.0
                rows.append(Row(f"{name}.temperature", at, at + NS, round(float(value), 2)))
    return rows


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("campaigns") / "data"
    texts = dict(read_texts(example_folder()))
    texts["probes-campaign.toml"] = "".join(LOGGER.format(key=n, number=i) for i, n in enumerate(NAMES))
    with Store.open(folder, create=True, simulated=True) as store:
        apply_setup(store, texts, "Greta Holm", "loggers of a campaign", "Ines Faber", 1)
        store.append("loggers", readings())
    return folder


def answer_of(stillroom: Run, room: Path, *words: str | Path) -> dict[str, Any]:
    result = stillroom(*words, "--data", room, "--json")
    assert result.returncode == 0, result.stderr
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def text(at_ns: int) -> str:
    return np.datetime_as_string(np.datetime64(at_ns, "ns"), unit="s") + "Z"


@pytest.mark.slow
def test_a_campaign_is_planned_run_and_closed(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """Every step by a command; warm position, knocked and failed probe are named; `verify` agrees."""
    plan = ("campaign", "plan", "map-1", "--zone", "machine-bay", "--name", "Working volume")
    file = positions(tmp_path / "positions.csv")
    result = stillroom(*plan, "--positions", file, "--data", room)
    assert result.returncode == 0, result.stderr
    assert "10 positions planned. Next: put all probes side by side" in result.stdout
    for name, (begin, end) in phases(UTC_MORNING).items():
        words = ("campaign", "begin", "map-1", name, "--from", text(begin), "--to", text(end))
        result = stillroom(*words, "--data", room)
        assert result.returncode == 0, result.stderr
    answer = answer_of(stillroom, room, "study", "map", "--campaign", "map-1")
    shown = {item["name"]: item for item in answer["figures"]}
    assert shown["empty: warmest: M3"]["value"] == pytest.approx(0.6 * 8 / 9, abs=0.02)
    assert any("M6 drifted or was knocked by +0.2" in line for line in answer["remarks"])
    assert any("in use: Every position was read in 6" in line for line in answer["remarks"])
    assert any(line.startswith("empty: Not to be used: M3, beyond the limits") for line in answer["remarks"])
    compared = shown["in use against empty, mean difference at one instant"]
    assert (
        compared["low"] <= 0 <= compared["high"]
    )  # the whole room was warmer, its positions no further apart
    result = stillroom("campaign", "close", "map-1", "--why", "no work at M3", "--data", room)
    assert result.returncode == 0, result.stderr
    assert "closure known" in result.stdout
    listed = answer_of(stillroom, room, "campaign", "list")["campaigns"][0]
    assert listed["closed"]["answers"] == {"map": answer["digest"]}
    again = stillroom("campaign", "begin", "map-1", "lights on", "--data", room)
    assert again.returncode == 2
    assert "was closed by" in again.stderr
    with Store.open(room, read_only=True) as store:
        assert verify_record(store).faults == ()
        assert len(store.journal.entries(kind="campaign")) == 6


@pytest.mark.slow
@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ("same", "are the same place"),
        ("position,x_m,y_m,channel\n", "z_m missing"),
        ("position,x_m,y_m,z_m,channel\nA,1,2,high,M1.temperature\n", "line 2: expected three numbers in m"),
        (
            "position,x_m,y_m,z_m,channel\nA,1,2,1,M1.temperature\nB,1,2,40,M2.temperature\n",
            "in the room of 9",
        ),
        ("position,x_m,y_m,z_m,channel\nA,1,2,1,M1.temperature\nB,3,2,1,M1.temperature\n", "one position"),
        ("position,x_m,y_m,z_m,channel\nA,1,2,1,M1.temperature\nB,3,2,1,X1.temperature\n", "no channel"),
    ],
)
def test_a_table_that_cannot_be_a_campaign_is_refused(
    stillroom: Run, room: Path, tmp_path: Path, table: str, expected: str
) -> None:
    """What is wrong, where, and what to enter; nothing is planned."""
    file = tmp_path / "positions.csv"
    if table == "same":
        positions(file, same=True)
    else:
        file.write_text(table)
    words = ("campaign", "plan", "wrong", "--zone", "machine-bay", "--name", "n", "--positions", file)
    result = stillroom(*words, "--data", room)
    assert result.returncode == 2
    assert expected in result.stderr
    assert "Traceback" not in result.stderr
    with Store.open(room, read_only=True) as store:
        assert "wrong" not in {campaign.key for campaign in acts.campaigns(store)}


@pytest.mark.slow
def test_phases_that_overlap_or_are_missing_are_refused(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """Two phases at one time, an end before the begin, closing without a state, ending what does not run."""
    file = positions(tmp_path / "positions.csv")
    plan = ("campaign", "plan", "map-2", "--zone", "machine-bay", "--name", "again", "--positions", file)
    assert stillroom(*plan, "--data", room).returncode == 0
    begin, end = (text(at) for at in phases(UTC_MORNING)["before"])
    assert (
        stillroom(
            "campaign", "begin", "map-2", "before", "--from", begin, "--to", end, "--data", room
        ).returncode
        == 0
    )
    for words, expected in (
        (("begin", "map-2", "empty", "--from", begin, "--to", end), "probes are at one place at a time"),
        (("begin", "map-2", "empty", "--from", end, "--to", begin), "the end must be after the start"),
        (("begin", "map-2", "empty", "--to", end), "--to: enter --from as well"),
        (("end", "map-2"), "No phase of campaign 'map-2' is running"),
        (("close", "map-2"), "cannot be closed"),
        (("take-back", "map-2", "lights", "--why", "x"), "no phase 'lights'"),
        (("begin", "map-9", "before"), "no campaign 'map-9'"),
    ):
        result = stillroom("campaign", *words, "--data", room)
        assert result.returncode == 2, result.stdout
        assert expected in result.stderr
    result = stillroom("study", "map", "--campaign", "map-2", "--data", room)
    assert "has no state yet" in result.stderr
    assert (
        stillroom(
            "campaign", "take-back", "map-2", "before", "--why", "M4 lay apart", "--data", room
        ).returncode
        == 0
    )
    live = stillroom("campaign", "begin", "map-2", "before", "--data", room)
    assert "Next: running: side by side before" in live.stdout


def test_a_short_state_without_comparison_says_what_it_cannot_show(
    stillroom: Run, room: Path, tmp_path: Path
) -> None:
    """Four hours, nothing side by side: shorter than four cycles, and no closure."""
    file = positions(tmp_path / "positions.csv")
    plan = ("campaign", "plan", "map-3", "--zone", "machine-bay", "--name", "short", "--positions", file)
    assert stillroom(*plan, "--data", room).returncode == 0
    begin = phases(UTC_MORNING)["empty"][0]
    words = ("campaign", "begin", "map-3", "empty", "--from", text(begin), "--to", text(begin + 4 * HOUR))
    assert stillroom(*words, "--data", room).returncode == 0
    answer = answer_of(stillroom, room, "study", "map", "--campaign", "map-3")
    assert any("empty lasted 4.0 h: a cycle of the air handling" in line for line in answer["remarks"])
    assert any("Not compared side by side" in line for line in answer["remarks"])
    closed = stillroom("campaign", "close", "map-3", "--data", room)
    assert "closure unknown" in closed.stdout


@pytest.mark.slow
def test_closing_on_the_page_maps_in_a_process_of_its_own(
    stillroom: Run, room: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page answers at once; the child's answer closes the campaign, under the name of the page."""
    from dashboard.data.queries import Queries
    from dashboard.data.source import Source
    from dashboard.pages import campaigns as page

    def refuse(*_: object) -> None:
        raise AssertionError("a study was computed by the pages")

    monkeypatch.setattr("logger.studies.campaign_close.run_study", refuse)
    file = positions(tmp_path / "positions.csv")
    plan = ("campaign", "plan", "map-4", "--zone", "machine-bay", "--name", "page", "--positions", file)
    assert stillroom(*plan, "--data", room).returncode == 0
    begin = phases(UTC_MORNING)["empty"][0]
    words = ("campaign", "begin", "map-4", "empty", "--from", text(begin), "--to", text(begin + 4 * HOUR))
    assert stillroom(*words, "--data", room).returncode == 0
    q = Queries(Source(room))
    page._begin_closing(q, "map-4", "Ines Faber", "keep the master away from M3")
    with pytest.raises(Refused, match="computed already"):
        page._begin_closing(q, "map-4", "Ines Faber", "")
    assert acts.campaign_of(q.source.store, "map-4").closed == {}
    assert "Closing campaign map-4: " in str(page.job_lines(page._closings(q)))
    deadline = time.monotonic() + 120
    while q.studies.ended == 0 and time.monotonic() < deadline:
        time.sleep(0.05)
    assert [(job.state, job.word) for job in q.studies.listed()] == [("done", "")]
    closed = acts.campaign_of(q.source.store, "map-4").closed
    assert (closed["who"], closed["why"]) == ("Ines Faber", "keep the master away from M3")
    assert q.source.store.studies.get(closed["answers"]["map"]) is not None
    with pytest.raises(Refused, match="was closed by Ines Faber"):
        page._begin_closing(q, "map-4", "Ines Faber", "")
    q.source.store.close()


@pytest.mark.slow
def test_a_phase_that_came_meanwhile_is_not_closed_over(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """The answer does not know it: close again."""
    file = positions(tmp_path / "positions.csv")
    plan = ("campaign", "plan", "map-5", "--zone", "machine-bay", "--name", "two", "--positions", file)
    assert stillroom(*plan, "--data", room).returncode == 0
    begin = phases(UTC_MORNING)["empty"][0]
    with Store.open(room) as store:
        acts.add_phase(store, "map-5", "empty", (begin, begin + 4 * HOUR), "Ines Faber")
        before = closable_campaign(store, "map-5")
        acts.add_phase(store, "map-5", "in use", (begin + 4 * HOUR, begin + 8 * HOUR), "Ines Faber")
        with pytest.raises(Refused, match="got another phase while its states were mapped"):
            close_with_digest(store, before, "Ines Faber", "", "0" * 64)
        assert acts.campaign_of(store, "map-5").closed == {}


def test_setup_in_force_knows_the_loggers(room: Path) -> None:
    """They stood elsewhere, long ago, and have no certificate: the campaign says where they stand."""
    with Store.open(room, read_only=True) as store:
        setup = in_force(store.setups.versions()).setup
    assert all(not setup.certificates_of(f"{name}.temperature") for name in NAMES)
