"""Where a plug-in is named: the validation report, and the journal where it is another than was approved."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from logger import config
from logger.acts.setup import apply_setup
from logger.probes.registry import list_plug_ins
from logger.selftest.report import Report, as_text
from logger.service import health
from logger.service.service import Service
from logger.store import Store

from .conftest import SOUND, Install
from .test_registry import texts


def test_the_validation_report_names_package_version_and_files(install: Install) -> None:
    install("lab-probe", version="2.1")
    (plug_in,) = list_plug_ins()
    report = Report("0", 0, 0.0, "here", "3", (), (), (plug_in,))
    facts = report.facts()
    assert facts["plug_ins"] == [
        {"kind": "bath", "package": "lab-probe", "version": "2.1", "sha256": plug_in.sha256}
    ]
    line = f"Driver of another package: bath of lab-probe 2.1, SHA-256 {plug_in.sha256}"
    assert line in as_text(facts)
    assert Report("0", 0, 0.0, "here", "3", (), ()).facts()["sha256"] != facts["sha256"]


def test_the_journal_says_at_the_start_that_a_driver_is_another_than_was_approved(install: Install) -> None:
    install("lab-probe")
    approved = config.load_texts(texts('kind = "bath"'))
    events: list[tuple[str, Any]] = []
    service = SimpleNamespace(config=approved, _writer=SimpleNamespace(event=lambda *e: events.append(e)))
    Service._journal_plug_ins(cast(Service, service))
    assert events == []
    install("lab-probe", SOUND + "# another\n")
    Service._journal_plug_ins(cast(Service, service))
    ((kind, what),) = events
    assert kind == "plug-in-changed"
    assert (what["kind"], what["expected"]["version"], what["found"]["version"]) == ("bath", "1.0", "1.0")
    assert what["expected"]["sha256"] != what["found"]["sha256"]


def test_health_names_a_driver_that_changed_while_the_service_runs(install: Install, tmp_path: Path) -> None:
    """As approved; then another file, another version, and gone: each in a sentence that says what to do."""
    install("lab-probe")
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        apply_setup(store, texts('kind = "bath"'), "Greta Holm", "a bath", "Ines Faber", 1)

        def driver() -> tuple[str, str]:
            (figure,) = health._drivers(store, 7)
            return figure.value, figure.word

        assert driver() == ("as approved", "no fault")
        install("lab-probe", SOUND + "# another\n")
        assert driver()[1].startswith(
            "lab-probe 1.0 has other files than those approved: install it as it was"
        )
        install("lab-probe", version="1.1")
        expected = (
            "lab-probe 1.0 was approved, lab-probe 1.1 is installed: install lab-probe 1.0 again, or enter"
        )
        assert driver()[1].startswith(expected)
        install("lab-probe", version="1.1", kind="other")
        assert driver()[1].startswith("lab-probe 1.0 was approved, but none can be used: install it again")
