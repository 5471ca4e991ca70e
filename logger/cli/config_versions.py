"""From the files in config/ to what is in force: propose, approve, refuse, and the list of versions."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from ..errors import Refused
from ..instants import parse, rfc3339, wall
from ..model import Setup
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .context import load_folder, open_session, open_store, refuse_no_record, refuse_second_begin
from .options import DEFAULT_CONFIG, DEFAULT_DATA, Config, Data, Json, Who, Yes, person
from .output import answer, table

if TYPE_CHECKING:
    from ..core.validity.changes import SetupChange
    from ..inspections.setup_impact import ChangedVerdict
    from ..store import Store

Version = Annotated[int, typer.Argument(metavar="NUMBER", help="Number of the proposed version.")]


def commands(app: typer.Typer) -> None:
    """Add these commands to the group `config`."""
    app.command("apply")(apply)
    app.command("approve")(approve)
    app.command("take-over")(take_over)
    app.command("refuse")(refuse)
    app.command("list")(versions)


def apply(
    *,
    why: Annotated[
        str, typer.Option("--why", metavar="TEXT", help="Reason for the change; required from version 2 on.")
    ] = "",
    correction: Annotated[
        bool,
        typer.Option(
            "--correction",
            help="Correct an entry error: reaches back to where the error began; always signed by two.",
        ),
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would change.")] = False,
    begin: Annotated[
        bool, typer.Option("--begin", help="Begin a new record: once. The files are its version 1.")
    ] = False,
    yes: Yes = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Show what the files change, from when, and which verdicts; propose them as the next version.

    Another person approves it with `stillroom config approve`. With --begin the files are version 1 of
    a new record at once.

    \b
    Examples:
      stillroom config apply --why "bay band by the new specification"
      stillroom config apply --begin --config config --data /srv/room-east
    """
    from ..acts.setup import approval_step, propose
    from ..inspections.setup_effect import refuse_unconfirmed

    if begin:
        refuse_second_begin(data)
    elif not dry_run:
        refuse_no_record(data)
    proposed = load_folder(config or DEFAULT_CONFIG)
    with open_store(data, proposed, create=not dry_run) as (store, now_ns):
        name = person(who) if store is None or dry_run else authorised(store, who, Act.PROPOSE)
        preview = _preview(store, proposed.texts, proposed.setup, name, now_ns, correction)
        version, state = preview.pop("version"), "in force"
        if preview["changed"] and store is not None and not dry_run:
            refuse_unconfirmed(preview["effect"], yes=yes, how="Add --yes")
            first = not store.setups.versions()
            version = propose(store, proposed.texts, name, why, now_ns, correction=correction)
            state = "in force" if first else "waiting"
            preview["next"] = "" if first else approval_step(store, version, name)
    payload = {"version": version, "state": state, **preview}
    lines = [_head(payload, dry_run), *_lines(payload, ZoneInfo(proposed.setup.room.timezone))]
    answer(payload | {"effect": preview["effect"].to_dict()}, as_json, lines)


def _head(payload: Mapping[str, Any], dry_run: bool) -> str:
    number = payload["version"]
    if not payload["changed"]:
        return f"No changes against version {number} (in force)."
    if dry_run:
        return "This would change:"
    if payload["state"] == "in force":
        return f"Version {number} is in force."
    return f"Version {number} is proposed. {payload['next']}"


def _preview(  # noqa: PLR0917 (what a version is made of)
    store: Store | None, texts: Mapping[str, str], proposed: Setup, who: str, now_ns: int, correction: bool
) -> dict[str, Any]:
    """What a set of files changes against the setup in force, as plain data for its approver."""
    from ..config import in_force, load_stored
    from ..core.validity.changes import changes
    from ..inspections.setup_effect import SetupEffect, setup_effect

    versions = store.setups.versions() if store else []
    if store is None or not versions:
        lines = diff_lines({}, texts)
        return {
            "version": 0,
            "changed": bool(lines),
            "difference": lines,
            "changes": [],
            "verdicts": [],
            "figures": [],
        } | {"effect": SetupEffect((), (), ())}
    newest = versions[-1]
    differences = changes(load_stored(newest.texts).setup, proposed, now_ns)
    before = in_force(versions).setup
    after = _setup_if_approved(store, texts, who, now_ns, correction)
    effect = setup_effect(store, before, after, now_ns) if differences else SetupEffect((), (), ())
    lines = diff_lines(newest.texts, texts)
    return {
        "version": newest.version,
        "changed": bool(lines),
        "difference": lines,
        "changes": [_change_dict(c) for c in differences],
        "verdicts": [_verdict_dict(v) for v in effect.other_verdicts],
        "figures": [_verdict_dict(v) for v in effect.other_figures],
        "effect": effect,
    }


def _setup_if_approved(
    store: Store, texts: Mapping[str, str], who: str, now_ns: int, correction: bool
) -> Setup:
    """The setup that would be in force if the files were approved now."""
    from ..config import in_force
    from ..store import SetupVersion

    versions = store.setups.versions()
    number = versions[-1].version + 1
    new = SetupVersion(number, now_ns, who, who, "", texts, "", now_ns, correction)
    return in_force([*versions, new]).setup


def _change_dict(change: SetupChange) -> dict[str, Any]:
    begin = None if change.from_ns is None else rfc3339(change.from_ns)
    return {"thing": change.thing, "what": change.what, "from": begin}


def _verdict_dict(changed: ChangedVerdict) -> dict[str, Any]:
    span = {"from": rfc3339(changed.from_ns), "to": rfc3339(changed.to_ns)}
    head = {"what": changed.what, "job": changed.job, "zone": changed.zone}
    verdict = {"was": changed.was, "becomes": changed.becomes, "moved": changed.moved}
    were, become = (vars(f) for f in (changed.figures_were, changed.figures_become))
    return {**head, **span, **verdict, "figures_were": were, "figures_become": become}


def _local(begin: str | None, zone: ZoneInfo) -> str:
    return "approval" if begin is None else wall(parse(begin, zone), zone)


def _lines(payload: Mapping[str, Any], zone: ZoneInfo) -> list[str]:
    lines = list(payload["difference"])
    if payload["changes"]:
        rows = [(c["thing"], c["what"], _local(c["from"], zone)) for c in payload["changes"]]
        lines += ["", *table(("thing", "change", "from"), rows)]
    if payload["effect"].sentences:
        lines += ["", *payload["effect"].sentences]
    if payload["verdicts"]:
        jobs = [(v["what"], v["job"], v["was"], v["becomes"], v["moved"]) for v in payload["verdicts"]]
        lines += ["", f"{number_of(len(jobs), 'verdict')} would change:", ""]
        lines += table(("", "job", "was", "becomes", "length"), jobs)
    if payload.get("figures"):
        moved = [(v["what"], v["job"], v["was"], v["moved"]) for v in payload["figures"]]
        lines += [
            "",
            f"{number_of(len(moved), 'inspection')} would have the same verdict and other figures:",
            "",
        ]
        lines += table(("", "job", "verdict", "length"), moved)
    return lines


def diff_lines(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    """Lines that differ, file by file; a whole new file is only named."""
    lines: list[str] = []
    for name in sorted(set(before) | set(after)):
        if before.get(name) == after.get(name):
            continue
        if name not in before or name not in after:
            lines.append(f"  {'new' if name in after else 'gone'}: {name}")
            continue
        pair = before[name].splitlines(), after[name].splitlines()
        lines += [
            f"  {line}" for line in difflib.unified_diff(*pair, f"{name} in force", name, lineterm="", n=1)
        ]
    return lines


def approve(
    version: Version,
    *,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Comment of the approver.")] = "",
    yes: Yes = False,
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Put a proposed version in force, by another person than its author; shows what it changes.

    \b
    Example:
      stillroom config approve 2 --who "Ines Faber"
    """
    from ..acts.setup import approve as put_in_force
    from ..acts.setup import proposal_of
    from ..config import load_texts
    from ..inspections.setup_effect import refuse_unconfirmed

    with open_session(data, None) as session:
        name = authorised(session.store, who, Act.APPROVE)
        proposal = proposal_of(session.store, version)
        setup = load_texts(proposal.texts, version=version).setup
        preview = _preview(
            session.store, proposal.texts, setup, proposal.who, session.now_ns, proposal.correction
        )
        refuse_unconfirmed(preview["effect"], yes=yes, how="Add --yes")
        put_in_force(session.store, version, name, why, session.now_ns)
    preview |= {"version": version, "state": "in force", "author": proposal.who, "approver": name}
    first = f"Version {version}, proposed by {proposal.who}, is in force. It changed:"
    lines = [first, *_lines(preview, ZoneInfo(setup.room.timezone))]
    answer(preview | {"effect": preview["effect"].to_dict()}, as_json, lines)


def take_over(
    version: Version,
    *,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Reason for the change.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Take over a version that the service proposed after SIGHUP: it is proposed anew in your name.

    Another person approves it.

    \b
    Example:
      stillroom config take-over 2 --who "Greta Holm" --why "new annex of the specification"
    """
    from ..acts.setup import approval_step
    from ..acts.setup import take_over as stand_for

    with open_session(data, None) as session:
        name = authorised(session.store, who, Act.PROPOSE)
        number = stand_for(session.store, version, name, why, session.now_ns)
        step = approval_step(session.store, number, name)
    message = f"Version {number} is proposed by {name} in place of {version}. {step}"
    answer({"version": number, "state": "waiting", "in_place_of": version}, as_json, [message])


def refuse(
    version: Version,
    *,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Reason for the rejection.")] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Reject a proposed version for good, with a reason; its author may withdraw it in the same way.

    \b
    Example:
      stillroom config refuse 2 --who "Ines Faber" --why "the specification says 0.4 K"
    """
    from ..acts.setup import refuse as close

    with open_session(data, None) as session:
        name = authorised(session.store, who, Act.PROPOSE)
        close(session.store, version, name, why, session.now_ns)
    answer({"version": version, "state": "refused"}, as_json, [f"Proposal {version} rejected."])


def versions(
    *,
    data: Data = DEFAULT_DATA,
    config: Config = None,  # noqa: ARG001 (every command takes both folders)
    as_json: Json = False,
) -> None:
    """Versions of the setup: who proposed and approved each, when and why.

    \b
    Example:
      stillroom config list
    """
    with open_session(data, None) as session:
        rows = _rows(session.store)
        zone = session.zone_info
    if not rows:
        raise Refused(f"{data} has no setup yet; apply one: stillroom config apply.")
    heads = ("version", "state", "proposed", "by", "approved", "by", "reason")
    cells = [
        (r["version"], r["state"], wall(r["_proposed"], zone), r["author"],
         "" if r["_approved"] is None else wall(r["_approved"], zone), r["approver"], r["reason"])
        for r in rows
    ]  # fmt: skip
    plain = [{k: v for k, v in r.items() if not k.startswith("_")} for r in rows]
    answer(plain, as_json, table(heads, cells))


def _rows(store: Store) -> list[dict[str, Any]]:
    rows = {
        v.version: _row(v.version, "in force", v.who, v.why, v.correction, v.proposed_ns, v.at_ns, v.approver)
        for v in store.setups.versions()
    }
    for version in sorted(rows)[:-1]:
        rows[version]["state"] = "replaced"
    for p in store.setups.proposals():
        if p.state != "approved":
            rows[p.version] = _row(p.version, p.state, p.who, p.why, p.correction, p.at_ns)
    return [rows[version] for version in sorted(rows)]


def _row(  # noqa: PLR0917 (a version's facts)
    version: int,
    state: str,
    author: str,
    reason: str,
    correction: bool,
    proposed_ns: int,
    approved_ns: int | None = None,
    approver: str = "",
) -> dict[str, Any]:
    return {
        "version": version,
        "state": state,
        "author": author,
        "approver": approver,
        "reason": reason,
        "correction": correction,
        "proposed": rfc3339(proposed_ns),
        "approved": None if approved_ns is None else rfc3339(approved_ns),
        "_proposed": proposed_ns,
        "_approved": approved_ns,
    }
