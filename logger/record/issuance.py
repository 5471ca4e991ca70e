"""An issue of a record: numbered, immutable, journalled; a later one replaces it and says why."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..errors import Refused
from ..instants import local, parse, rfc3339
from ..model import Setup, TemperatureUnit
from .attached import attached_tables
from .fact_forms import IssuedFacts, IssueFacts, RecordFacts
from .facts import with_issue_head
from .interval import Interval
from .names import Names
from .pdf import compile_pdf
from .pictures import judged_periods, pictures
from .proven_facts import proven_facts
from .reader_facts import mark_temperatures
from .readings import column_description, columns_of
from .signatures import Key, digests, sealed_by, signing_key
from .words import sentence
from .zone_readings import read_zone, record_csv

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from ..store import Store
    from ..verdicts.verdicts import Verdicts


@dataclass(frozen=True)
class IssuedRecord:
    """One issue: its number, the folder with its copy in the store, its files and their SHA-256."""

    number: int
    folder: Path
    files: Mapping[str, str]
    sentence: str
    altered: tuple[str, ...] = ()  # stored verdicts that somebody had edited: it was issued without them


def issue(  # noqa: PLR0917 (what, when, where to, who: each is asked for by its place)
    store: Store,
    verdicts: Verdicts,
    setup: Setup,
    zone: str,
    from_ns: int,
    to_ns: int,
    out: Path,
    who: str,
    now_ns: int,
    replaces: int | None = None,
    why: str = "",
    *,
    temperatures: TemperatureUnit = "degC",
) -> IssuedRecord:
    """Write the record of a zone over [from, to) into `out`, keep a copy, and journal it.

    temperatures: in which unit its pages print them; the facts beside stay in °C and K.
    What it rests on is judged anew for it from the readings: no stored verdict is believed.
    Refused where a file of that name stands in `out`, where `replaces` was never issued, or
    where it comes without a reason.
    """
    span = Interval(zone, from_ns, to_ns, now_ns)
    stored = read_zone(store, setup, zone, from_ns, to_ns)
    with ThreadPoolExecutor(1) as pool:  # readings are written while the zone is judged
        pending = pool.submit(record_csv, stored, simulated=store.simulated)
        facts, altered = proven_facts(store, verdicts, setup, span, stored)
        readings, rows = pending.result()
    facts["readings"] = {"rows": rows, "sha256": digests({"": readings})[""]}
    mark_temperatures(facts, temperatures)
    drawn = pictures(stored, setup, judged_periods(facts), span, temperatures)
    key = signing_key(store, who)
    head: IssueFacts = {
        "number": 0,
        "issued_at": rfc3339(now_ns // 10**9 * 10**9),
        "by": who,
        "proven": Names(store).proven_now(who),
        "replaces": replaces,
        "why": why,
        "signed_by": key.name,
    }

    def build(conn: Connection) -> tuple[int, dict[str, bytes], dict[str, str]]:
        _refuse_replacement(conn, replaces, why)
        number = _next_number(conn)
        files = render_files(with_issue_head(facts, {**head, "number": number}), drawn, readings)
        return number, *_sign_files(key, files, readings, facts["readings"]["sha256"])

    with store.read() as conn:  # the pages of a year take seconds, in which nobody must wait to store
        number, files, sha256s = build(conn)
    with store.begin() as conn:
        if number != _next_number(conn):  # another record was issued meanwhile
            number, files, sha256s = build(conn)
        _refuse_replacement(conn, replaces, why)
        _refuse_overwriting(out, files)
        folder = _store_copy(store.folder, number, files)
        _write_all(out, files)
        issued = IssuedRecord(number, folder, sha256s, sentence(facts), altered)
        _journal_issue(store, conn, issued, span, {"who": who, "replaces": replaces, "why": why}, facts)
    return issued


def render_files(facts: IssuedFacts, drawn: Mapping[str, str], readings: bytes) -> dict[str, bytes]:
    """File name -> bytes of one issue. Nothing but the arguments goes into them."""
    stem = stem_of(facts)
    record = json.dumps(facts, indent=1, ensure_ascii=False, sort_keys=False).encode() + b"\n"
    tables = attached_tables(facts)
    return {
        f"{stem}.pdf": compile_pdf(facts, drawn, {"readings.csv": readings, "record.json": record, **tables}),
        f"{stem}-readings.csv": readings,
        f"{stem}-readings.txt": column_description(columns_of(simulated=facts["simulated"])).encode(),
        f"{stem}.json": record,
        **{f"{stem}-{name}": content for name, content in tables.items()},
    }


def _sign_files(
    key: Key, files: dict[str, bytes], readings: bytes, readings_sha256: str
) -> tuple[dict[str, bytes], dict[str, str]]:
    """The files with the list of their digests and its signature, and the digests of all of them.

    Those of the readings are large, and their digest is there already.
    """
    stem = next(name.removesuffix(".pdf") for name in files if name.endswith(".pdf"))
    others = digests({name: content for name, content in files.items() if content is not readings})
    sha256s = {name: others.get(name, readings_sha256) for name in files}
    seal = sealed_by(key, stem, files, sha256s)
    return files | seal, sha256s | digests(seal)


def stem_of(facts: IssuedFacts) -> str:
    """The name of the files of an issue, without its ending."""
    mark = "SIMULATED-" if facts["simulated"] else ""
    zone = ZoneInfo(facts["room"]["timezone"])
    day = local(parse(facts["from"], zone), zone).date()
    return f"{mark}record-{facts['issue']['number']:06d}-{facts['zone']['key']}-{day}"


def _next_number(conn: Connection) -> int:
    from sqlalchemy import func, select

    from ..store.hot.tables import issue as t

    return int(conn.execute(select(func.max(t.c.number))).scalar() or 0) + 1


def _refuse_replacement(conn: Connection, replaces: int | None, why: str) -> None:
    from sqlalchemy import select

    from ..store.hot.tables import issue as t

    if replaces is None:
        return
    if conn.execute(select(t.c.number).where(t.c.number == replaces)).first() is None:
        raise Refused(f"There is no record {replaces} that could be replaced.")
    later = conn.execute(select(t.c.number).where(t.c.replaces == replaces)).scalar()
    if later is not None:
        raise Refused(f"Record {replaces} was replaced by record {later}; amend that one.")
    if not why.strip():
        raise Refused(f"A record that replaces record {replaces} must say why.")


def _store_copy(data: Path, number: int, files: Mapping[str, bytes]) -> Path:
    """The copy that stays in the data folder, whole or not at all: written aside, synced, renamed."""
    folder = data / "records" / f"{number:06d}"
    aside = folder.with_name(f"{folder.name}.writing")
    for leftover in (aside, folder):  # of a run that was cut off before it was journalled
        shutil.rmtree(leftover, ignore_errors=True)
    aside.mkdir(parents=True)
    _write_all(aside, files)
    aside.rename(folder)
    return folder


def _write_all(folder: Path, files: Mapping[str, bytes]) -> None:
    with ThreadPoolExecutor() as pool:  # each waits for the disk
        list(pool.map(lambda name: _write(folder / name, files[name]), files))


def _write(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _refuse_overwriting(out: Path, files: Mapping[str, bytes]) -> None:
    out.mkdir(parents=True, exist_ok=True)
    existing = [name for name in files if (out / name).exists()]
    if existing:
        raise Refused(
            f"{out / existing[0]} is there already; nothing was issued. Name another folder with --out."
        )


def _journal_issue(  # noqa: PLR0917 (one row and one entry take all that is known of an issue)
    store: Store,
    conn: Connection,
    issued: IssuedRecord,
    span: Interval,
    act: Mapping[str, Any],
    facts: RecordFacts,
) -> None:
    from ..store.hot.tables import issue as t

    pdf = next(sha for name, sha in issued.files.items() if name.endswith(".pdf"))
    judged = {"digest": facts["digest"], "setup": facts["setup"]}
    at = {"from_ns": span.from_ns, "to_ns": span.to_ns, "at_ns": span.now_ns}
    row = {"zone": span.zone, "body": {"files": dict(issued.files), **judged}, **at, **act}
    folder = issued.folder.relative_to(store.folder).as_posix()
    conn.execute(t.insert().values(number=issued.number, folder=folder, sha256=pdf, **row))
    what = {"record": issued.number, "zone": span.zone, "from": facts["from"], "to": facts["to"]}
    entered = {**what, **at, "replaces": act["replaces"], "files": dict(issued.files), "body": judged}
    store.journal.append("record", act["who"], entered, act["why"], conn)
