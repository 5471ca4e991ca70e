"""The demo: a simulated room with its history, read by the real service over real lines.

History comes by the real importer from the files of invented loggers. Live readings come from
processes behind pseudo-terminals (sockets where there are none). What the invented loggers held since
the last stop, at most 54 h, is imported at each start, so that the live room has settled evidence.
"""

from __future__ import annotations

import csv
import json
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ..errors import ImportRefused, Refused, StillroomError
from ..instants import NS, parse
from ..model import AsciiLine, CommandRoute, Config, Inspection
from ..model.figures import percent
from ..processes.pages import HOST, address, pages
from .demo_studies import run_beside
from .earlier_setup import OUTDOOR_FILE

if TYPE_CHECKING:
    from ..processes.stop_request import StopRequest
    from ..store import Store

Say = Callable[[str], None]
WHO = "demo"
SECOND = "demo, in the place of a second person"
HELD_NS = 54 * 3600 * NS  # what the invented loggers can hold
ROOM_NS = 7 * 24 * 3600 * NS  # an older simulated room is begun anew, so that the start stays short
SEED = 7
POLL_S = 10.0  # oftener than the example says, so that a viewer sees it live
SAMPLE_WEEKS = 2  # in the files of sample_logs/; what lies before them is made at the first start
EARLIER_CASE = {
    "cause": "air handling",
    "detail": "Set-back at the weekend, or a hot afternoon before the sun film.",
    "immediate_action": "Nothing was measured until the zone was stable again.",
    "impact": "No inspection lies in this time.",
    "decision": "No result is affected.",
    "customer": "Nobody is notified: no result is affected.",
}
_NOTE = "demo.json"
_NOTICES = "demo-notices.jsonl"
_KEEP = "import sys; open(sys.argv[1], 'a', encoding='utf-8').write(sys.stdin.read() + '\\n')"


@dataclass(frozen=True)
class Options:
    """What a person asks of the demo."""

    data: Path
    config: Path | None = None
    port: int = 8060
    mail_port: int | None = None
    history_only: bool = False
    drift: bool = False
    browser: bool = True
    weeks: int = 26


def run(options: Options, say: Say) -> None:
    """Load the history and, unless only that is wanted, run everything until asked to stop."""
    from ..processes.stop_request import StopRequest
    from ..store import Store

    if not options.history_only and not port_is_free(HOST, options.port):
        raise Refused(
            f"Port {options.port} on {HOST} is taken by another program; choose another one: "
            f"stillroom demo --port {options.port + 1}"
        )
    _refuse_real(options.config)
    with Store.open(options.data, create=True, simulated=True) as store, StopRequest() as stop:
        earlier = options.weeks > SAMPLE_WEEKS and options.config is None
        config = load_demo(store, options.config, say, earlier=earlier)
        if options.history_only:
            say(f"The history is in {options.data}. Ask it:  stillroom inspection list --data {options.data}")
            return
        _live(options, store, config, stop, say)


def _refuse_real(folder: Path | None) -> None:
    """The demo's readings are invented; a configuration that does not say so must not be run with them."""
    from ..config import load

    if folder is not None and not load(folder).setup.room.simulated:
        raise Refused(
            f"{folder / 'room.toml'} describes a real room, and the readings of the demo are invented. "
            "Say `simulated = true` under [room] in a copy of it, or read your room with `stillroom run`."
        )


def load_demo(store: Store, folder: Path | None, say: Say, *, earlier: bool = False) -> Config:
    """The store with setup, history, inspections and verdicts; what is there already is left alone.

    earlier: with the 24 weeks before the sample logs, which the room study looks at.
    """
    config = _apply(store, folder, earlier)
    earlier = earlier and OUTDOOR_FILE in config.texts  # not in a folder of before
    files = [sample_logs() / name for name in ("machine-bay.csv", "plate-bench.csv", "barometer.txt")]
    if earlier and not _has_earlier(store):
        _import_earlier(store, config, say)
    for file in files:
        _import(store, config, file, say)
    _register(store, config, sample_logs() / "inspections.csv")
    store.seal(time.time_ns())
    _judge(store, config, say)
    if earlier:
        _close_earlier(store, config)
    return config


def _has_earlier(store: Store) -> bool:
    from .earlier_weeks import FILE

    return any(item.name == FILE for item in store.imports.all())


def _import_earlier(store: Store, config: Config, say: Say) -> None:
    """The 24 weeks by the real importer; the list of doors stays in the data folder for `study`."""
    from . import earlier_weeks

    with tempfile.TemporaryDirectory(prefix="stillroom-weeks-") as folder:
        file, doors = earlier_weeks.write(Path(folder))
        _import(store, config, file, say)
        (store.folder / doors.name).write_bytes(doors.read_bytes())


def _close_earlier(store: Store, config: Config) -> None:
    """Cases of the earlier weeks were closed in their time, as in any room that is looked after."""
    from ..acts.case_book import is_closed
    from ..acts.cases import close, note
    from ..inspections.cases import cases_in
    from ..verdicts.verdicts import Verdicts
    from .earlier_weeks import FROM_NS, TO_NS

    verdicts = Verdicts(store, config.setup)
    for record in cases_in(verdicts, "machine-bay", FROM_NS, TO_NS, time.time_ns(), refresh=False):
        case = record.case
        if case.number is not None and case.to_ns <= TO_NS and not is_closed(record.work, case):
            note(store, record.case, EARLIER_CASE, WHO)
            close(store, record.case, WHO, running=False, undecided=())


def sample_logs() -> Path:
    """The invented exports: beside the packages in a source tree, else where they were installed."""
    beside = Path(__file__).resolve().parents[2] / "sample_logs"
    return beside if beside.is_dir() else Path(sys.prefix) / "share" / "stillroom" / "sample_logs"


def port_is_free(host: str, port: int) -> bool:
    """Whether a server could listen there now."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if sys.platform != "win32":  # there it would allow what we want to find out
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def _apply(store: Store, folder: Path | None, earlier: bool) -> Config:
    from ..acts.inspections import apply_setup
    from ..config import example_folder, in_force, load
    from .earlier_setup import with_earlier_weeks

    if not store.setups.versions() or folder is not None:
        texts = load(folder or example_folder()).texts
        texts = with_earlier_weeks(texts) if earlier else texts
        apply_setup(store, texts, WHO, "the demo's own setup", SECOND, time.time_ns())
    return in_force(store.setups.versions())


def _import(store: Store, config: Config, file: Path, say: Say) -> None:
    from ..imports import choose_profile, import_file, profile_of

    profiles = [profile_of(n, t) for n, t in config.texts.items() if n.startswith("profiles/")]
    profile = choose_profile(file, profiles)
    result = import_file(file, profile, store, config.setup, WHO, time.time_ns())
    if not result.already:
        say(f"Imported {result.name}: {result.stored} readings by profile {profile.name!r}.")


def _register(store: Store, config: Config, file: Path) -> None:
    from ..acts.inspections import add_inspection, inspections

    registered = {job.key for job in inspections(store)}
    zone = ZoneInfo(config.setup.room.timezone)
    with file.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            if row["key"] not in registered:
                add_inspection(store, config.setup, _inspection(row, zone), WHO)


def _inspection(row: dict[str, str], zone: ZoneInfo) -> Inspection:
    return Inspection(
        key=row["key"],
        zone=row["zone"],
        from_ns=parse(row["from"], zone, "from"),
        to_ns=parse(row["to"], zone, "to"),
        title=row["title"],
        part=row["part"],
        material=row["material"],
        length_mm=float(row["length_mm"]),
        tolerance_um=float(row["tolerance_um"]),
        machine=row["machine"],
        person=row["person"],
        activity=row["activity"],
    )


def _judge(store: Store, config: Config, say: Say) -> None:
    from ..verdicts.verdicts import Verdicts

    extent = store.readings.extent()
    if extent is None:
        return
    verdicts, now_ns = Verdicts(store, config.setup), time.time_ns()
    for zone in config.setup.zones.values():
        periods = verdicts.periods(zone.key, extent[0], extent[1] + 1, now_ns)
        spent = sum(p.to_ns - p.from_ns for p in periods)
        stable = sum(p.to_ns - p.from_ns for p in periods if p.verdict == "stable")
        say(
            f"Judged {zone.name}: stable for {percent(stable / spent)} of the record, {len(periods)} periods."
        )


def _live(options: Options, store: Store, config: Config, stop: StopRequest, say: Say) -> None:
    """Probes, service and pages; put away in the opposite order, whatever happens."""
    from ..service import Service
    from .process import TwinProcess

    since_ns = _import_history(store, config, say)
    with store.lock_service(), TwinProcess(SEED, since_ns=since_ns, drift=options.drift) as twin:
        notices = None if options.mail_port else options.data / _NOTICES
        connected = partial(_connect, urls=twin.urls, mail_port=options.mail_port, notices=notices)
        service = Service(store, connected(config), connected=connected)
        service.start()
        try:
            unanswered = OUTDOOR_FILE in config.texts and not store.studies.newest(limit=1)
            with (
                pages(options.data, options.port, stop) as shown,
                run_beside(options.data, unanswered, say),
            ):
                _welcome(options, say)
                if not stop.wait(lambda: service.alive and shown.poll() is None):
                    raise StillroomError("The pages or the service ended by themselves; the demo stops.")
        finally:
            service.stop()
    say("The demo has stopped.")


def _connect(
    config: Config, urls: Mapping[str, str], mail_port: int | None, notices: Path | None = None
) -> Config:
    """The example's placeholders replaced by the lines of the simulated probes.

    notices: where there is no mail server, what would go by mail is written into this file, a line each.
    """
    lines = tuple(
        replace(ln, url=urls[ln.probe], interval_s=POLL_S)
        for ln in config.lines
        if isinstance(ln, AsciiLine) and ln.probe in urls
    )
    if notices is not None:
        ways = (CommandRoute(m.key, (sys.executable, "-c", _KEEP, str(notices))) for m in config.mail)
        return replace(config, lines=lines, mail=(), ways=(*config.ways, *ways))
    mail = config.mail if mail_port is None else tuple(replace(m, port=mail_port) for m in config.mail)
    return replace(config, lines=lines, mail=mail)


def _import_history(store: Store, config: Config, say: Say) -> int:
    """Import what the loggers held since the last start; gives the instant at which their room began."""
    from .history import write_held

    now_ns = time.time_ns() // NS * NS
    from_ns, since_ns = _since(store, now_ns)
    with tempfile.TemporaryDirectory(prefix="stillroom-held-") as folder:
        for file in write_held(Path(folder), from_ns, now_ns, SEED, since_ns):
            try:
                _import(store, config, file, say)
            except ImportRefused as refused:  # an end in the hour that the clock repeats in autumn
                say(f"Left out: {refused}")
    (store.folder / _NOTE).write_text(json.dumps({"since_ns": since_ns}), encoding="utf-8")
    return since_ns


def _since(store: Store, now_ns: int) -> tuple[int, int]:
    """From when readings are missing, and when the simulated room began."""
    newest = max(store.readings.newest_taken(ok=True).values(), default=0)
    note = store.folder / _NOTE
    began_ns = json.loads(note.read_text(encoding="utf-8"))["since_ns"] if note.exists() else 0
    if now_ns - newest > HELD_NS or now_ns - began_ns > ROOM_NS:
        return max(newest + NS, now_ns - HELD_NS), now_ns - HELD_NS
    return newest + NS, began_ns


def _welcome(options: Options, say: Say) -> None:
    say(f"\nThe simulated room is at {address(options.port)}  (its people are invented; stop with Ctrl-C)")
    if options.drift:
        say("The heater of the air handling sticks: watch the machine bay leave its limits within minutes.")
    if options.mail_port is None:
        say(f"Mails are written to {options.data / _NOTICES}; --mail-port N sends them.")
    say(f"In another window:  stillroom inspection list --data {options.data}")
    if options.browser:
        import webbrowser

        webbrowser.open(address(options.port))
