"""A plug-in that raises or returns what is no row: each is a `device-error` row on the project's own bus."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from logger.model import PluginLine, Row
from logger.probes import buses
from logger.probes.plug_in import TrialReport
from logger.probes.registry import kind_named
from logger.probes.table_trial import try_table

from .conftest import SOUND, Install


def polled(install: Install, code: str) -> Row:
    """The first row that the bus hands on for a probe of this driver."""
    install("lab-probe", code)
    table = kind_named("bath").table(kind="bath")
    line = PluginLine("N1", "bath", table, {"v": "N1.pressure"}, "test:x", 0.2, "S", {"N1.pressure": "hPa"})
    rows: list[Row] = []
    (bus,) = buses([line], rows.extend, lambda kind, what: None)
    bus.start()
    until_s = time.monotonic() + 60
    while not rows and time.monotonic() < until_s:
        time.sleep(0.02)
    assert bus.stop(60)
    assert {row.channel for row in rows} == {"N1.pressure"}
    return rows[0]


def reading(rows: str) -> str:
    return SOUND.replace('[Raw(c, 20.5, "ok", self.clock.wall_ns()) for c in self.channels]', rows)


def test_a_sound_driver_gives_its_value(install: Install) -> None:
    row = polled(install, SOUND)
    assert (row.value, row.status) == (20.5, "ok")


ROW = 'Raw("N1.pressure", {0}, "{1}", self.clock.wall_ns())'.format


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize(
    ("code", "expected"),
    [
        pytest.param(reading("1 / 0"), "ZeroDivisionError", id="raises in read"),
        pytest.param(
            SOUND.replace("def open(self): pass", "def open(self): self.x.y"), "AttributeError", id="open"
        ),
        pytest.param(
            SOUND.replace("self.deadline_s, self", "self.no = 1 / 0\n        self.d, self"),
            "driver",
            id="init",
        ),
        pytest.param(
            SOUND.replace("5.0, self, clock", "-1.0, self, clock"), "a deadline_s above 0", id="deadline"
        ),
        pytest.param(reading("[]"), "0 rows, expected 1", id="no rows"),
        pytest.param(reading("None"), "TypeError", id="none"),
        pytest.param(reading(f"2 * [{ROW(20.5, 'ok')}]"), "2 rows, expected 1", id="two rows"),
        pytest.param(
            reading('[Raw("P1.temperature", 20.5, "ok", 1)]'), "a row of 'P1.temperature'", id="other channel"
        ),
        pytest.param(reading("[{'value': 20.5}]"), "a row of 'dict'", id="no row"),
        pytest.param(
            reading(f"[{ROW('float(chr(110) + chr(97) + chr(110))', 'ok')}]"),
            "ok with the value nan",
            id="nan",
        ),
        pytest.param(reading(f"[{ROW('None', 'ok')}]"), "ok with the value None", id="ok without"),
        pytest.param(reading(f"[{ROW('True', 'ok')}]"), "ok with the value True", id="a truth"),
        pytest.param(reading(f"[{ROW(20.5, 'good')}]"), "the status 'good'", id="status"),
        pytest.param(reading(f"[{ROW(20.5, 'timeout')}]"), "timeout with a value", id="value of a fault"),
        pytest.param(reading('[Raw("N1.pressure", 20.5, "ok", 5)]'), "the instant 5", id="instant"),
        pytest.param(
            reading('[Raw("N1.pressure", 20.5, "ok", self.clock.wall_ns() + 3600 * 10**9)]'),
            "the instant 20",
            id="an hour ahead",
        ),
        pytest.param(reading(f"[{ROW('10**400', 'ok')}]"), "ok with the value 1000", id="beyond floats"),
        pytest.param(reading("exit(3)"), "called for the end of the program", id="exit"),
        pytest.param(
            SOUND.replace("self.deadline_s, self", "raise OSError('no licence')\n        self.d, self"),
            "no driver: OSError('no licence')",
            id="why it cannot be made",
        ),
    ],
)
def test_what_a_driver_does_wrong_is_a_row_that_says_it(
    install: Install, code: str, expected: str, caplog: pytest.LogCaptureFixture
) -> None:
    row = polled(install, code)
    assert (row.value, row.status) == (None, "device-error")
    assert expected in row.raw


def test_a_driver_that_raises_when_it_is_closed_ends_nothing(
    install: Install, caplog: pytest.LogCaptureFixture
) -> None:
    code = SOUND.replace("def close(self): pass", "def close(self): raise ValueError('no')")
    assert polled(install, code).status == "ok"


def test_the_text_of_a_row_is_short_and_can_be_written(install: Install) -> None:
    """A store takes no half of a pair of signs, and a bus that cannot hand on its row has none."""
    row = polled(
        install, reading('[Raw("N1.pressure", None, "garbage", self.clock.wall_ns(), "\\ud800\\0" * 99)]')
    )
    assert row.status == "garbage"
    assert row.raw.encode("utf-8").startswith(b"\\ud800\\x00")


def report_of(install: Install, code: str, folder: Path) -> TrialReport:
    """What `probe try` shows of a probe of this driver."""
    install("lab-probe", code)
    file = folder / "bath.toml"
    file.write_text('[probes.N1]\nserial = "S"\n[probes.N1.connection]\nkind = "bath"\n', "utf-8")
    return try_table(file)


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (reading("1 / 0"), "N1.pressure = no value (device-error: ZeroDivisionError('division by zero'))"),
        (SOUND.replace("def open(self): pass", "def open(self): raise OSError('busy')"), "OSError('busy')"),
        (
            SOUND.replace("5.0, self, clock", "0.2, self, clock").replace(
                "def open(self): pass", "def open(self): __import__('threading').Event().wait(30)"
            ),
            "N1: no end within 0.2 s (deadline_s): the service would set it apart and try it again later.",
        ),
    ],
    ids=["raises", "open", "hangs"],
)
def test_a_trial_shows_what_the_service_would_store(
    install: Install, code: str, expected: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """No traceback in place of the rows, and no trial without an end."""
    report = report_of(install, code, tmp_path)
    assert expected in report.shown[0]
    assert not report.answered
