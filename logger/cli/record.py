"""Records: what is printed, signed and handed out, and the answer to one date."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..instants import parse, said, wall
from ..model.figures import bound, decimals, printed
from ..model.roles import Act
from .authority import authorised
from .context import Opened, applied_setup, interval, opened
from .options import DEFAULT_DATA, AnyZone, Config, Data, From, Json, To, Who, Zone, person
from .output import altered, answer, counted, figures, table

if TYPE_CHECKING:
    from ..record import Issued, Listed

record = typer.Typer(help="Records: issued once, never edited; and what was so at an instant.")
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files of the record.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="Why.")]
Number = Annotated[int, typer.Argument(metavar="NUMBER", help="Number of a record that was issued.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(record, name="record", no_args_is_help=True)


@record.command("issue")
def issue(
    *,
    zone: Zone,
    start: From,
    end: To,
    out: Out,
    replaces: Annotated[
        int | None, typer.Option("--replaces", metavar="NUMBER", help="The record that this one replaces.")
    ] = None,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why it replaces it.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Issue the record of a zone: PDF to print and sign, readings as CSV, all facts as JSON.

    It gets a number, a list of digests signed by the record's key, and stays in the data folder and in
    the journal. A changed one is a new issue: the old one stays.

    \b
    Example:
      stillroom record issue --zone machine-bay --from 2026-10-19 --to 2026-10-20 --out records
    """
    from ..record import issue as issued

    with opened(data, config) as found:
        name = authorised(found.store, who, Act.ISSUE)
        setup, span = applied_setup(found), interval(found, zone, start, end)
        ours = found.store, found.verdicts(), setup, zone
        made = issued(*ours, *span, out, name, found.now_ns, replaces, why)
    _told(made, out, as_json)


@record.command("amend")
def amend(
    number: Number,
    *,
    why: Why,
    out: Out,
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
    from ..record import amend as amended

    with opened(data, config) as found:
        name = authorised(found.store, who, Act.ISSUE)
        applied_setup(found)
        made = amended(found.store, found.verdicts(), number, why, out, name, found.now_ns)
    _told(made, out, as_json)


def _told(made: Issued, out: Path, as_json: bool) -> None:
    told = {"number": made.number, "folder": str(out), "kept": str(made.folder), "files": dict(made.files)}
    told |= {"altered": list(made.altered)}
    lines = [
        f"Record {made.number} is issued. {made.sentence}",
        "",
        *table(("file", "SHA-256"), list(made.files.items())),
        *altered(made.altered),
    ]
    answer(told, as_json, lines)


@record.command("list")
def listed(
    *,
    zone: AnyZone = None,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Every record that was issued, and which of them replaced which.

    \b
    Example:
      stillroom record list --zone machine-bay
    """
    from ..record import issues

    with opened(data, config) as found:
        if zone is not None:
            found.setup.zone(zone)
        rows = [one for one in issues(found.store) if zone in (None, one.zone)]
        lines = [_row(one, found) for one in rows]
    heads = ("number", "zone", "from", "to", "issued", "by", "standing")
    answer(
        [one.to_json() for one in rows],
        as_json,
        [f"{counted(len(rows), 'record')}.", "", *table(heads, lines)],
    )


def _row(one: Listed, found: Opened) -> list[object]:
    times = [wall(ns, found.zone_info)[:16] for ns in (one.from_ns, one.to_ns, one.at_ns)]
    standing = f"replaced by {one.replaced_by}" if one.replaced_by else "in force"
    if one.replaces:
        standing += f", replaces {one.replaces}: {one.why}"
    return [one.number, one.zone, *times, one.who, standing]


@record.command("at")
def at(
    when: Annotated[str, typer.Argument(metavar="TIME", help='As in "20 March 14:10", or as of --from.')],
    *,
    zone: Zone,
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """What was so in a zone at an instant: readings, probes, certificates, limits, verdict, reviews.

    Without a year the newest such instant that is past is meant.

    \b
    Example:
      stillroom record at "20 October 14:10" --zone machine-bay
    """
    from ..record import state_at

    with opened(data, config) as found:
        at_ns = said(when, found.zone_info, found.now_ns)
        told = state_at(found.store, found.verdicts(), zone, at_ns, found.now_ns)
        lines = _moment_lines(told, found)
    answer(told, as_json, lines)


def _moment_lines(told: dict[str, Any], found: Opened) -> list[str]:
    when = wall(parse(told["at"], found.zone_info), found.zone_info)
    simulated = "SIMULATED, no measured data. " if told["simulated"] else ""
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
    version = told["setup"]
    lines = [
        f"{simulated}{told['name']} at {when}: {told['verdict']} ({told['reason']})."
        + (" Provisional: it may still change." if told["provisional"] else ""),
        "",
        *table(reading_heads, [_reading_row(r) for r in told["readings"]]),
        "",
        *table(limit_heads, [_limit_row(r) for r in told["limits"]]),
        "",
        *(line for r in told["readings"] for line in _worked_out(r)),
        "",
    ]
    if version:
        lines.append(
            f"Setup version {version['version']} by {version['author']}, approved by {version['approver']}."
        )
    for one in told["inspections"]:
        lines.append(f"Inspection {one['key']} ran: {one['title']}.")
    for one in told["records"]:
        replaced = f", replaced by record {one['replaced_by']}" if one["replaced_by"] else ""
        lines.append(f"Record {one['record']} covers it, issued by {one['by']}{replaced}.")
    by = [f"{r['who']} ({r['cadence']} review of {r['period']})" for r in told["reviews"]]
    return [*lines, f"Reviewed by {'; '.join(by)}." if by else "Nobody has reviewed it."]


def _reading_row(r: dict[str, Any]) -> list[object]:
    if r["taken"] is None:
        return [r["channel"], r["position"], "none", "", "", "", "", r["certificate"], r["confirmation"]]
    own = r["in_own_unit"]
    indication = "none" if r["indication"] is None else f"{r['indication']:.8g}"
    places = decimals(own["U"])
    numbers = ["none" if own[k] is None else f"{own[k]:.{places}f}" for k in ("correction", "corrected", "U")]
    value = [indication, *numbers, _OWN_UNIT.get(r["unit"], r["unit"])]
    status = r["confirmation"] + (f", {r['why']}" if r["why"] else "")
    return [r["channel"], r["position"], *value, r["certificate"], status]


def _worked_out(r: Mapping[str, Any]) -> list[str]:
    """The parts of a correction and of its U, so that they can be worked out again."""
    parts = r.get("worked_out")
    if not parts or r["in_own_unit"]["U"] is None:
        return []
    places = max(3, decimals(r["in_own_unit"]["U"]) + 1)
    summands = [f"{p['value']:+.{places}f} ({p['name']})" for p in parts["correction"]]
    squares = [f"{p['value']:.{places + 1}f}² ({p['name']})" for p in parts["standard_uncertainty"]]
    total = sum(p["value"] for p in parts["correction"])
    U = f"U {r['in_own_unit']['U']:.{places}f} = 2·√({' + '.join(squares)})"
    return [f"  {r['channel']}: correction {total:+.{places}f} = {' '.join(summands)}; {U}"]


_OWN_UNIT = {"degC": "°C", "degF": "°F", "%RH": "% RH"}  # values in the probe's own unit are not converted


def _limit_row(r: dict[str, Any]) -> list[object]:
    value, _, U = figures(*(None if n is None else printed(n, r["unit"]) for n in (r["value"], None, r["U"])))
    ends = {"from": r["lower"], "to": r["upper"]}
    limits = " ".join(f"{word} {bound(end, r['unit'])}" for word, end in ends.items() if end is not None)
    return [r["name"], limits, value, U, r["conformity"], r["probe"], r["basis"]]


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
    from ..record import conditions as stated

    with opened(data, config) as found:
        verdicts, span = found.verdicts(), interval(found, zone, start, end)
        said_of = stated(verdicts, zone, *span, found.now_ns)
        simulated = found.store.simulated
    mark = "SIMULATED, no measured data. " if simulated else ""
    lines = [mark + said_of.sentence, f"  digest {said_of.digest}"]
    answer({**said_of.to_json(), "simulated": simulated}, as_json, lines)


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

    with opened(data, config) as found:
        key = signing_key(found.store, person(who))
        number, sha256 = found.store.journal.head()
        name = f"head-{number:09d}"
        files = {f"{name}.txt": head_text(found.store, found.now_ns // 10**9 * 10**9)}
    files |= sealed_by(key, name, files)
    out.mkdir(parents=True, exist_ok=True)
    for file, content in files.items():
        (out / file).write_bytes(content)
    told = {"number": number, "sha256": sha256, "files": sorted(files), "folder": str(out)}
    answer(told, as_json, [f"Head of the chain, entry {number}, {sha256}: {len(files)} files in {out}."])


@record.command("key")
def key(
    *,
    rotate: Annotated[bool, typer.Option("--rotate", help="Sign by a new key from now on.")] = False,
    lost: Annotated[bool, typer.Option("--lost", help="The key is gone; make a new one.")] = False,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why there is another key.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The keys by which this record signs; --rotate and --lost are journalled acts.

    What an older key signed stays verifiable: every public half is in the journal and in every package.
    A key that others may have seen is rotated at once, and why says since when.

    \b
    Example:
      stillroom record key --rotate --why "yearly" --who "Greta Holm"
    """
    from ..record.signatures import public_keys, renewed

    if rotate and lost:
        raise Refused("Say either --rotate or --lost: a key that is lost cannot sign for the new one.")
    with opened(data, config) as found:
        if rotate or lost:
            renewed(found.store, person(who), why, lost=lost)
        keys, zone = public_keys(found.store), found.zone_info
    rows = [[k["key"], k["act"], wall(parse(k["at"], zone), zone)[:16], k["who"], k["why"]] for k in keys]
    lines = [f"{counted(len(keys), 'key')}.", "", *table(("key", "act", "since", "who", "why"), rows)]
    answer(keys, as_json, [*lines, *(["", keys[-1]["public"].strip()] if keys else [])])
