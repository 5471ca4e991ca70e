"""The service while what is outside hangs: others go on, it is alarmed by name, and the service ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import alarms as attending
from logger.core.alarms.system import WATCHED, SystemFacts
from logger.imports.importer import content_of
from logger.model import CommandLine, Heartbeat, MailRoute, OneWire
from logger.notify.mail import SmtpSender
from logger.notify.text import Wording
from logger.processes.deadline import DeadlineExceeded
from logger.service import Service, heartbeat
from logger.simulation.devices import show_one_wire
from logger.simulation.process import TwinProcess
from logger.store import Store
from logger.store.backup.backup import backup

from .test_deadlines import Peer, dripping
from .test_systemd import Listener, listener  # noqa: F401 (a fixture)
from .test_whole_service import (  # noqa: F401 (a fixture)
    FACTOR,
    START_NS,
    FastClock,
    Mailbox,
    _count,
    _with_urls,
    events,
    in_force,
    mailbox,
    reached,
    texts,
    until,
)

CODE = {
    "blocked": "import os, time\nif os.fork() == 0: os.setsid()\ntime.sleep(600)",
    "endless": "import sys\nwhile True: sys.stdout.write('x' * 10000)",
}


@pytest.fixture
def drips() -> Iterator[Peer]:
    """A mail server that never finishes its greeting."""
    peer = Peer(dripping(b"220"))
    yield peer
    peer.close()


@pytest.mark.slow
def test_what_hangs_outside_silences_nobody_and_is_alarmed_by_its_name(
    tmp_path: Path,
    mailbox: tuple[Mailbox, int],  # noqa: F811
    drips: Peer,
    listener: Listener,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A blocked file, programs that hang or print without end, a mail server and a watcher that drip.

    The other probes lose no poll, the other route carries the alarm, the watchdog is fed, the service ends.
    """
    monkeypatch.setattr("logger.service.sources.STUCK_S", 1.0)
    mails, port = mailbox[0].mails, mailbox[1]
    file = tmp_path / "w1" / "28-1" / "w1_slave"
    show_one_wire(file.parent, 20.0)
    file.unlink()
    os.mkfifo(file)
    clock = FastClock()
    with (
        Store.open(tmp_path / "data", create=True, simulated=True) as store,
        store.lock_service(),
        TwinProcess(since_ns=START_NS, time_factor=FACTOR) as twin,
    ):
        config = reached(in_force(store, texts(port), START_NS), dict(twin.urls), 120.0)
        lines = {line.probe: replace(line, timeout_s=30.0) for line in config.lines}  # type: ignore[call-arg]
        blocked = OneWire("P4", str(file.parent), {"t": "P4.temperature"}, interval_s=30.0, timeout_s=0.5)
        programs = [
            CommandLine(
                p, (sys.executable, "-S", "-c", CODE[how]), r"(?P<t>.*)", {"t": f"{p}.temperature"}, 30.0, 1.0
            )
            for p, how in (("P5", "blocked"), ("P6", "endless"))
        ]
        lines |= {line.probe: line for line in (blocked, *programs)}
        slow = replace(config.mail[0], key="slow", port=drips.port)
        config = replace(
            config,
            lines=tuple(lines.values()),
            mail=(*config.mail, slow),
            heartbeat=Heartbeat(f"http://127.0.0.1:{drips.port}/", "", 1.0),
        )
        service = Service(
            store,
            config,
            clock=clock.wall_ns,
            judge_every_s=0.3,
            bus_clock=clock,
            sender=SmtpSender(timeout_s=1.0),
        )
        service.start()
        try:
            assert until(lambda: any("system.stuck" in mail for mail in mails), 60), service.status()
            assert until(lambda: drips.connections > 2, 60)
            sound = ("P1.temperature", "P2.temperature", "P3.temperature")
            assert until(
                lambda: all(len(store.readings.read(c, START_NS, clock.wall_ns())) for c in sound), 60
            )
            fed = sum(heard.startswith("WATCHDOG=1") for heard in listener.listen(1.0))
            assert fed
            beats = heartbeat.read(tmp_path / "data") or {}
        finally:
            assert service.stop()
        mail = "".join(next(mail for mail in mails if "system.stuck" in mail).replace("=\n", "").split("\n"))
        assert "probe P4" in mail
        assert {"probe P4", "probe P5"} <= set(dict(beats["stuck"]))  # type: ignore[call-overload]
        assert beats["stopped"] is False
        end_ns = clock.wall_ns()
        for channel in sound:
            readings = store.readings.read(channel, START_NS, end_ns)
            assert set(readings.status) == {0}  # each of them "ok"
        event_list = [e.what for e in store.journal.entries(kind="event") if e.what["event"] == "probe-stuck"]
        assert {what["probe"] for what in event_list} >= {"P4", "P5"}
        assert "bus-error" not in events(store)


def test_what_hangs_is_told_in_words() -> None:
    facts = SystemFacts(stuck={"probe P4": "for 40 s", "broker mqtt://b": "for 90 s"})
    assert WATCHED["stuck"].out(facts) == (
        "broker mqtt://b does not come back: for 90 s; probe P4 does not come back: for 40 s"
    )
    late = SystemFacts(late_routes={"duty": "mail server mx did not end within 15 s"})
    assert WATCHED["notices"].out(late) == "route duty: mail server mx did not end within 15 s"


def test_a_route_whose_server_drips_is_remembered_until_it_takes_a_notice(
    tmp_path: Path, drips: Peer
) -> None:
    clock = FastClock()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        config = in_force(store, texts(drips.port), START_NS)
        (route,) = [r for r in config.mail if isinstance(r, MailRoute)][:1]
        service = Service(
            store, replace(config, lines=()), clock=clock.wall_ns, sender=SmtpSender(timeout_s=0.5)
        )
        with store.begin() as conn:
            attending.outbox(store).put_letter(conn, "x", Wording("x", "x\n"), [route], START_NS)
        service._send_due(route.key)
        assert list(service._late_routes) == [route.key]
        assert (
            WATCHED["notices"].out(service._alarming.facts(clock.wall_ns())).startswith(f"route {route.key}")
        )
        good = replace(route, port=9)  # refuses at once: no deadline is missed
        service.config = replace(service.config, mail=(good,))
        assert until(lambda: attending.outbox(store).routes_due(clock.wall_ns()), 60)
        service._send_due(route.key)
        assert service._late_routes == {}


def test_a_share_that_dies_in_the_middle_is_named_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A backup whose folder takes no more, a file that stops in the middle, and what missed its deadline.

    Minutes before the time that a long backup or import may take is over; the name goes when it moves again.
    """
    monkeypatch.setattr("logger.service.service.STILL_S", 0.2)
    go, share, pipe = threading.Event(), tmp_path / "share", tmp_path / "a.csv"
    share.mkdir()
    os.mkfifo(pipe)
    monkeypatch.setattr("logger.store.backup.folder._sync", lambda _: go.wait(60))
    # A pipe stands for the file of a share that stops: what else refuses a pipe is left out.
    monkeypatch.setattr("logger.imports.importer._refuse_no_file", lambda _: None)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        config = replace(in_force(store, texts(25), START_NS), lines=())
        service = Service(store, config)
        work = [lambda: backup(store, share, "service", START_NS), lambda: content_of(pipe)]
        threads = [threading.Thread(target=lambda do=do: service._jobs.run("x", do)) for do in work]
        for thread in threads:
            thread.start()
        assert until(lambda: {f"the folder {share}", f"the file {pipe}"} <= set(service._stuck()), 60)
        go.set()
        pipe.write_text("time,t\n")
        for thread in threads:
            thread.join(60)
        assert service._stuck() == {}
        late = DeadlineExceeded("the folder of the backups /mnt/x did not end within 30 s")

        def miss() -> None:
            raise late

        service._jobs.run("daily backup", miss)
        assert list(service._stuck()) == ["daily backup"]


def test_the_last_thing_that_hangs_does_not_hold_the_program(tmp_path: Path) -> None:
    """A thread that the kernel holds is left behind: the process ends though it does not."""
    program = (
        "import time\nfrom logger.processes.deadline import within\n"
        "try: within(0.2, 'x', lambda _: time.sleep(600))\nexcept TimeoutError as late: print(late)"
    )
    result = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True
    )
    assert result.stdout == "x did not end within 0.2 s\n"


@pytest.mark.slow
def test_a_signal_ends_the_program_while_a_probe_and_a_mail_server_hang(tmp_path: Path, drips: Peer) -> None:
    """What was polled is stored and the journal is whole; how long it took is printed (`pytest -s`)."""
    connection = (
        'kind = "command"\narguments = ["/bin/sh", "-c", "(setsid sleep 60 &); exec sleep 60"]\n'
        'pattern = "(?P<p>.*)"\nvalues = { p = "pressure" }\n'
    )
    with TwinProcess() as twin:
        folder, data = tmp_path / "config", tmp_path / "data"
        for name, text in texts(drips.port).items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            probes_text = _with_urls(text, dict(twin.urls))
            if name == "probes.toml":
                before, _, after = probes_text.partition("[probes.B1.connection]\n")
                after = after[after.index("\n# Which probe stood where") :]
                probes_text = f"{before}[probes.B1.connection]\n{connection}{after}"
            (folder / name).write_text(probes_text, encoding="utf-8")
        command = [sys.executable, "-m", "logger.cli", "run", "--config", str(folder), "--data", str(data)]
        process = subprocess.Popen([*command, "--begin", "--who", "Greta Holm"])
        try:
            assert until(lambda: drips.connections and _count(data) >= 12, 90)
        finally:
            begun_s = time.monotonic()
            process.send_signal(signal.SIGTERM)
            code = process.wait(60)
    print(f"ended after {time.monotonic() - begun_s:.1f} s")
    assert code == 0
    with Store.open(data) as store:
        assert events(store)[-1] == "stop"
        assert store.verify().intact
