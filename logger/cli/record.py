"""Records: what is printed, signed and handed out, and the answer to one date."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..instants import parse, parse_informal, wall
from ..model.figures import decimals, limit_text, number_of, to_printed_unit
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import Session, interval, open_session, require_applied_setup
from .options import DEFAULT_DATA, AnyZone, Config, Data, From, Json, Temperatures, To, Who, Zone, person
from .output import altered_lines, answer, figures, table
from .record_months import IssueFrom, IssueTo, Month, months, preview, record_span
from .workbook import workbook

if TYPE_CHECKING:
    from ..record.issuance import IssuedRecord
    from ..record.issues import RecordIssue

record = command_group("Records: issued once, never edited; and the state of the room at a given time.")
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files of the record.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="Why.")]
Number = Annotated[int, typer.Argument(metavar="NUMBER", help="Number of a record that was issued.")]


def add_to(app: typer.Typer) -> None:
    record.command("months")(months)
    record.command("preview")(preview)
    record.command("workbook")(workbook)
    app.add_typer(record, name="record")


@record.command("issue")
def issue(
    *,
    zone: Zone,
    month: Month = "",
    start: IssueFrom = None,
    end: IssueTo = None,
    out: Out,
    replaces: Annotated[
        int | None, typer.Option("--replaces", metavar="NUMBER", help="The record that this one replaces.")
    ] = None,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why it replaces it.")] = "",
    beside: Annotated[
        bool, typer.Option("--beside", help="Also where records in force cover a part of this time.")
    ] = False,
    unit: Temperatures = "degC",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Issue the record of a zone: PDF to print and sign, readings as CSV, all facts as JSON.

    It gets a number, a list of digests signed by the record's key, and stays in the data folder and in
    the journal. A corrected record is issued anew; the old one stays. Records in force that cover a part of
    this time are named first.

    \b
    Examples:
      stillroom record issue --zone machine-bay --month 2026-10 --out records
      stillroom record issue --zone machine-bay --from 2026-10-19 --to 2026-10-20 --out records
    """
    from ..record.issuance import issue as issued
    from ..record.record_months import refuse_overlapping

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.ISSUE)
        setup, span = require_applied_setup(session), record_span(session, zone, month, (start, end))
        if replaces is None and not beside:
            refuse_overlapping(session.store, setup, zone, span, "give --beside")
        ours = session.store, session.verdicts(), setup, zone
        issued_record = issued(*ours, *span, out, name, session.now_ns, replaces, why, temperatures=unit)
    _print_issue(issued_record, out, as_json)


@record.command("amend")
def amend(
    number: Number,
    *,
    why: Why,
    out: Out,
    unit: Temperatures = "degC",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Issue a record anew: same zone and interval, as it is judged now; it names the old one and why.

    \b
    Example:
      stillroom record amend 3 --why "readings of P2 came late" --out records
    """
    from ..record.issues import amend as amended

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.ISSUE)
        require_applied_setup(session)
        issued_record = amended(
            session.store, session.verdicts(), number, why, out, name, session.now_ns, temperatures=unit
        )
    _print_issue(issued_record, out, as_json)


def _print_issue(issued_record: IssuedRecord, out: Path, as_json: bool) -> None:
    payload = {
        "number": issued_record.number,
        "folder": str(out),
        "kept": str(issued_record.folder),
        "files": dict(issued_record.files),
    }
    payload |= {"altered": list(issued_record.altered)}
    lines = [
        f"Record {issued_record.number} is issued. {issued_record.sentence}",
        "",
        *table(("file", "SHA-256"), list(issued_record.files.items())),
        *altered_lines(issued_record.altered),
    ]
    answer(payload, as_json, lines)


@record.command("list")
def list_records(
    *,
    zone: AnyZone = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Every record that was issued, which of them replaced which, and what it does not say yet.

    Acts since: what people decided, marked or entered about its interval after it was issued. An amendment
    says it.

    \b
    Example:
      stillroom record list --zone machine-bay
    """
    from ..record.act_times import acts_since
    from ..record.issues import issues

    with open_session(data, config) as session:
        if zone is not None:
            session.setup.zone(zone)
        rows = [issuance for issuance in issues(session.store) if zone in (None, issuance.zone)]
        since = {i.number: len(acts_since(session.store, i)) for i in rows if i.replaced_by is None}
        lines = [_row(issuance, session, since.get(issuance.number, 0)) for issuance in rows]
    heads = ("number", "zone", "from", "to", "issued", "by", "standing")
    answer(
        [issuance.to_dict() | {"acts_since": since.get(issuance.number, 0)} for issuance in rows],
        as_json,
        [f"{number_of(len(rows), 'record')}.", "", *table(heads, lines)],
    )


def _row(issuance: RecordIssue, session: Session, since: int) -> list[object]:
    from ..record.names import person_text

    times = [session.wall(ns) for ns in (issuance.from_ns, issuance.to_ns, issuance.at_ns)]
    standing = f"replaced by {issuance.replaced_by}" if issuance.replaced_by else "in force"
    if since:
        standing += f", {number_of(since, 'act')} since: stillroom record amend {issuance.number}"
    if issuance.replaces:
        standing += f", replaces {issuance.replaces}: {issuance.why}"
    return [issuance.number, issuance.zone, *times, person_text(vars(issuance), "who"), standing]


@record.command("at")
def at(
    when: Annotated[str, typer.Argument(metavar="TIME", help='As in "20 March 14:10", or as of --from.')],
    *,
    zone: Zone,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The state of a zone at a given time: readings, probes, certificates, limits, verdict, reviews.

    Without a year, the latest such time in the past is meant.

    \b
    Example:
      stillroom record at "20 October 14:10" --zone machine-bay
    """
    from ..record.at_instant import state_at

    with open_session(data, config) as session:
        at_ns = parse_informal(when, session.zone_info, session.now_ns)
        state = state_at(session.store, session.verdicts(), zone, at_ns, session.now_ns)
        lines = _state_lines(state, session)
    answer(state, as_json, lines)


def _state_lines(state: dict[str, Any], session: Session) -> list[str]:
    from ..record.names import person_text

    when = wall(parse(state["at"], session.zone_info), session.zone_info)
    simulated = "SIMULATED, no measured data. " if state["simulated"] else ""
    reading_heads = (
        "channel",
        "position",
        "indication",
        "correction",
        "corrected",
        "U",
        "unit",
        "certificate",
        "status",
    )
    limit_heads = ("rule", "limits", "value", "U", "result", "probe", "basis")
    version = state["setup"]
    lines = [
        f"{simulated}{state['name']} at {when}: {state['verdict']} ({state['reason']})."
        + (" Provisional: it may still change." if state["provisional"] else ""),
        "",
        *table(reading_heads, [_reading_row(r) for r in state["readings"]]),
        "",
        *table(limit_heads, [_limit_row(r) for r in state["limits"]]),
        "",
        *(line for r in state["readings"] for line in _breakdown_lines(r)),
        "",
    ]
    if version:
        lines.append(
            f"Setup version {version['version']} by {person_text(version, 'author')}, "
            f"approved by {person_text(version, 'approver')}."
        )
    for entry in state["inspections"]:
        lines.append(f"Inspection {entry['key']} ran: {entry['title']}.")
    for entry in state["records"]:
        replaced = f", replaced by record {entry['replaced_by']}" if entry["replaced_by"] else ""
        lines.append(f"Record {entry['record']} covers it, issued by {person_text(entry, 'by')}{replaced}.")
    by = [f"{person_text(r, 'who')} ({r['cadence']} review of {r['period']})" for r in state["reviews"]]
    return [*lines, f"Reviewed by {'; '.join(by)}." if by else "Not reviewed."]


def _reading_row(r: dict[str, Any]) -> list[object]:
    if r["taken"] is None:
        return [r["channel"], r["position"], "none", "", "", "", "", r["certificate"], _status(r)]
    own_figures = r["in_own_unit"]
    indication = "none" if r["indication"] is None else f"{r['indication']:.8g}"
    places = decimals(own_figures["U"])
    numbers = [
        "none" if own_figures[k] is None else f"{own_figures[k]:.{places}f}"
        for k in ("correction", "corrected", "U")
    ]
    value = [indication, *numbers, _OWN_UNIT.get(r["unit"], r["unit"])]
    return [r["channel"], r["position"], *value, r["certificate"], _status(r)]


def _status(r: Mapping[str, Any]) -> str:
    """Whether the calibration holds, and why the reading says nothing where it does."""
    calibration = "valid" if r["confirmation"] == "confirmed" else str(r["confirmation"])
    return calibration + (f", {r['why']}" if r.get("why") else "")


def _breakdown_lines(r: Mapping[str, Any]) -> list[str]:
    """The parts of a correction and of its U, so that they can be worked out again."""
    parts = r.get("worked_out")
    return [] if not parts or r["in_own_unit"]["U"] is None else [f"  {r['channel']}: {parts['text']}"]


_OWN_UNIT = {"degC": "°C", "degF": "°F", "%RH": "% RH"}  # values in the probe's own unit are not converted


def _limit_row(r: dict[str, Any]) -> list[object]:
    value, _, U = figures(
        *(None if n is None else to_printed_unit(n, r["unit"]) for n in (r["value"], None, r["U"]))
    )
    limits = _limits_text(r["lower"], r["upper"], r["unit"])
    return [r["name"], limits, value, U, r["conformity"], r["probe"], r["basis"]]


def _limits_text(lower: float | None, upper: float | None, unit: str) -> str:
    if lower is None or upper is None:
        ends = {"at least": lower, "at most": upper}
        return " ".join(f"{word} {limit_text(end, unit)}" for word, end in ends.items() if end is not None)
    return f"{limit_text(lower, unit)} to {limit_text(upper, unit)}"


@record.command("conditions")
def conditions(
    *,
    zone: Zone,
    start: From,
    end: To,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The sentence for a certificate: the conditions of an interval, rounded outward with U.

    Refused where the verdict of the interval is not shown.

    \b
    Example:
      stillroom record conditions --zone machine-bay --from 2026-10-20T13:00 --to 2026-10-20T14:00
    """
    from ..record.conditions import conditions as stated

    with open_session(data, config) as session:
        verdicts, span = session.verdicts(), interval(session, zone, start, end)
        said_of = stated(verdicts, zone, *span, session.now_ns)
        simulated = session.store.simulated
    mark = "SIMULATED, no measured data. " if simulated else ""
    lines = [mark + said_of.sentence, f"  digest {said_of.digest}"]
    answer({**said_of.to_dict(), "simulated": simulated}, as_json, lines)


@record.command("head")
def head(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the signed head.")],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Write the head of the chain, signed: what proves the record from the moment it left this machine.

    \b
    Example:
      stillroom record head --out /mnt/archive/heads
    """
    from ..record.signatures import head_text, sealed_by, signing_key

    with open_session(data, config) as session:
        key = signing_key(session.store, person(who))
        number, sha256 = session.store.journal.head()
        name = f"head-{number:09d}"
        files = {f"{name}.txt": head_text(session.store, session.now_ns // 10**9 * 10**9)}
    files |= sealed_by(key, name, files)
    out.mkdir(parents=True, exist_ok=True)
    for file, content in files.items():
        (out / file).write_bytes(content)
    payload = {"number": number, "sha256": sha256, "files": sorted(files), "folder": str(out)}
    answer(payload, as_json, [f"Head of the chain, entry {number}, {sha256}: {len(files)} files in {out}."])


@record.command("key")
def key(
    *,
    rotate: Annotated[bool, typer.Option("--rotate", help="Sign by a new key from now on.")] = False,
    lost: Annotated[bool, typer.Option("--lost", help="The key is gone; make a new one.")] = False,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Reason for the new key.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The keys by which this record signs; --rotate and --lost are journalled acts.

    What an older key signed stays verifiable: every public half is in the journal and in every package.
    Rotate a key that others may have seen at once, and say in --why since when.

    \b
    Example:
      stillroom record key --rotate --why "yearly" --who "Greta Holm"
    """
    from ..record.signatures import public_keys, rotate_key

    if rotate and lost:
        raise Refused("Give either --rotate or --lost: a key that is lost cannot sign for the new one.")
    with open_session(data, config) as session:
        if rotate or lost:
            rotate_key(session.store, authorised(session.store, who, Act.APPROVE), why, lost=lost)
        keys, zone = public_keys(session.store), session.zone_info
    rows = [[k["key"], k["act"], wall(parse(k["at"], zone), zone), k["who"], k["why"]] for k in keys]
    lines = [f"{number_of(len(keys), 'key')}.", "", *table(("key", "act", "since", "who", "why"), rows)]
    answer(keys, as_json, [*lines, *(["", keys[-1]["public"].strip()] if keys else [])])
