"""Pages over a real record: journal, limits with two people, probes with certificates, health."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.pages import health, journal, limits, probes
from logger.acts import setup
from logger.acts.inspections import apply_setup
from logger.config import example_folder, load
from logger.errors import Refused, UnknownName
from logger.instants import NS
from logger.model import Row
from logger.store import Store

CHANGED = ("upper_degC = 20.5", "upper_degC = 20.4")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example's setup, and two hours of three probes side by side: +0.03, 0, −0.03 K and some noise."""
    place = tmp_path_factory.mktemp("record") / "data"
    now = time.time_ns() // (60 * NS) * 60 * NS
    with Store.open(place, create=True, simulated=True) as store:
        apply_setup(store, load(example_folder()).texts, "Greta Holm", "first", "Ines Faber", now - 9000 * NS)
        for place_of, (probe, offset) in enumerate((("P1", 0.03), ("P2", 0.0), ("P3", -0.03))):
            rows = []
            for i in range(120):
                taken = now - (120 - i) * 60 * NS
                value = 20.0 + 0.001 * i + offset + 0.01 * ((7 * i + 3 * place_of) % 5 - 2)
                rows.append(Row(f"{probe}.temperature", taken, taken + NS // 20, round(value, 2)))
            store.append("made", rows)
    return place


@pytest.fixture
def q(folder: Path) -> Iterator[Queries]:
    source = Source(folder)
    yield Queries(source)
    source.store.close()


def propose(q: Queries, who: str = "Greta Holm") -> int:
    texts = dict(q.source.keeping.versions()[-1].texts)
    old, new = CHANGED
    changed = new if old in texts["limits.toml"] else old
    texts["limits.toml"] = texts["limits.toml"].replace(old if changed == new else new, changed, 1)
    return q.source.keeping.propose(texts, who, "new machine specification", q.now_ns())


@pytest.mark.slow
def test_a_limit_is_changed_by_two_people(q: Queries) -> None:
    """The page shows the proposal and what it changes; its author cannot approve it, another person can."""
    number = propose(q)
    page = str(limits.layout(q, f"?proposal={number}"))
    assert f"Proposal {number}: approval needed" in page
    assert "upper 20.5 → 20.4" in page
    with pytest.raises(Refused, match="another person approves"):
        limits.decide_proposal(q, number, "approve", "Greta Holm", "")
    assert limits.decide_proposal(q, number, "approve", "Ines Faber", "seen") == (
        f"Version {number} is in force, approved by Ines Faber."
    )
    page = str(limits.layout(q, ""))
    assert "approval needed" not in page
    assert "19.5 °C to 20.4 °C" in page
    assert "19.5 °C to 20.5 °C" in page  # what was in force before, for its own time


def test_a_proposal_is_refused_with_a_reason(q: Queries) -> None:
    """Without a reason nothing is changed; with one it is closed and stays in the list."""
    number = propose(q)
    with pytest.raises(Refused, match="reason"):
        limits.decide_proposal(q, number, "refuse", "Ines Faber", "")
    limits.decide_proposal(q, number, "refuse", "Ines Faber", "basis is missing")
    assert [p.state for p in q.source.keeping.proposals() if p.version == number] == ["refused"]
    assert "Rejected proposals" in str(limits.layout(q, ""))


def test_what_the_service_proposed_is_taken_over_by_a_person_first(q: Queries) -> None:
    """The page offers no approval of it; taken over it waits for another person, under another number."""
    texts = dict(q.source.keeping.versions()[-1].texts)
    texts["limits.toml"] += "# looked through\n"
    number = setup.propose(q.source.store, texts, setup.SERVICE, "SIGHUP", q.now_ns(), by_service=True)
    page = str(limits.layout(q, ""))
    assert f"Proposal {number}: author needed" in page
    assert ("Take over" in page, "'Approve'" in page) == (True, False)
    with pytest.raises(Refused, match="has no author yet"):
        limits.decide_proposal(q, number, "approve", "Ines Faber", "")
    message = limits.decide_proposal(q, number, "take over", "Greta Holm", "looked through")
    assert message == f"Proposed by Greta Holm as version {number + 1}. Another person approves it."
    assert f"Proposal {number + 1}: approval needed" in str(limits.layout(q, ""))
    limits.decide_proposal(q, number + 1, "refuse", "Ines Faber", "only a test")


def test_journal_is_searched_by_the_address(q: Queries) -> None:
    """Every word counts; a search that finds nothing says what to do; stored readings only when asked for."""
    assert "the example" not in str(journal.layout(q, "?text=first"))
    assert "setup in force" in str(journal.layout(q, "?text=Greta+first"))
    assert "No match. Use fewer words" in str(journal.layout(q, "?text=zebra"))
    assert "batch" not in str(journal.layout(q, "").children[2])
    assert "readings stored" in str(journal.layout(q, "?kind=batch").children[2])
    assert "From" in str(journal.layout(q, "?from=yesterday").children[2])


def test_certificate_is_one_click_from_the_register(q: Queries) -> None:
    """The register links to it; it opens with its points and the text of its file."""
    assert "/probes?certificate=AG-0411-T" in str(probes.layout(q, ""))
    page = str(probes.layout(q, "?certificate=AG-0411-T"))
    for part in (
        "Traunfeld Calibration Laboratory",
        "25.03",
        "through 2027-09-08",
        "certificates/AG-0411-T.toml",
    ):
        assert part in page
    with pytest.raises(UnknownName):
        probes.layout(q, "?certificate=none")


def test_probes_side_by_side(q: Queries) -> None:
    """Offsets of +0.03, 0, −0.03 K are found again within 0.01 K from 120 minutes with noise of 0.014 K.

    The certificates' corrections near 20 °C are within 0.03 K of each other and enter as they should.
    """
    from dashboard.parts.comparison import compare_probes

    now = q.now_ns()
    comparison = compare_probes(
        q, ["P1.temperature", "P2.temperature", "P3.temperature"], now - 7500 * NS, now
    )
    at_20 = {c: q.setup.certificates_of(f"{c}.temperature")[0].corrections[1] for c in ("P1", "P2", "P3")}
    mean = sum(at_20.values()) / 3
    expected = {"P1": 0.03 + at_20["P1"] - mean, "P2": at_20["P2"] - mean, "P3": -0.03 + at_20["P3"] - mean}
    assert comparison.cells >= 110
    for offset in comparison.offsets:
        assert offset.offset == pytest.approx(expected[offset.channel[:2]], abs=0.01)
        assert offset.U < 0.01
    with pytest.raises(Refused, match="common cells"):
        compare_probes(q, ["P1.temperature", "P4.temperature"], now - 7500 * NS, now)
    with pytest.raises(Refused, match="one quantity"):
        compare_probes(q, ["P1.temperature", "P1.relative_humidity"], now - 7500 * NS, now)


def test_health_says_what_is_missing(q: Queries) -> None:
    """No service has run, no backup was made, four probes were never read: each is told, nothing is green."""
    figures = q.source.keeping.health(q.now_ns())
    health_figures = {f.what: f.fault for f in figures}
    assert health_figures["heartbeat"] == "the service has never run: stillroom run"
    assert health_figures["P4.temperature"] == "no reading yet"
    assert health_figures["P1.temperature"] == ""
    assert "stillroom backup" in health_figures["last backup"]
    assert {f.what for f in figures if f.at_ns is None} >= {"heartbeat", "P4.temperature", "last backup"}
    page = str(health.layout(q, ""))
    assert "Check: heartbeat" in page
    assert ": the service has never run: stillroom run" in page
