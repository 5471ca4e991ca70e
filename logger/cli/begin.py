"""A first room: eight questions, four short files, and the first chart."""

from __future__ import annotations

import time
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused, StillroomError
from ..instants import wall
from ..model.figures import number_of
from .options import DEFAULT_DATA, Port

if TYPE_CHECKING:
    from ..first_room.draft import Draft, Field
    from ..first_room.questions import Question

DEFAULT_ROOM = Path("room")
LIVE_TRY = "reach"  # the question in which the probe is tried
AFTER_TRY = {"interval"}  # what is asked about it when it has answered


def add_to(app: typer.Typer) -> None:
    app.command("begin", short_help="Your own room: eight questions, then the first chart.")(begin)


def begin(
    *,
    file: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="FILE",
            help="Begin from a logger's file: it proposes probes, channels, positions and the profile.",
        ),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser", help="Ask in a browser on this machine instead of here.")
    ] = False,
    no_start: Annotated[
        bool, typer.Option("--no-start", help="Put the setup in force and exit; start nothing.")
    ] = False,
    config: Annotated[
        Path, typer.Option("--config", metavar="DIR", help="New folder for the files of the configuration.")
    ] = DEFAULT_ROOM,
    data: Annotated[
        Path,
        typer.Option("--data", metavar="DIR", help="New data folder: readings, journal, records."),
    ] = DEFAULT_DATA,
    port: Port = 8060,
) -> None:
    """Set up a first room: eight questions, each with a proposal where there is one.

    The probe is tried while you answer. Four short files come out, and version 1 of the setup; then the
    service and the pages start. A channel without a certificate is shown, and its zone is not shown until
    one is entered. Nothing is in force before the last question: stop with Ctrl-C, and go on later.

    \b
    Examples:
      stillroom begin
      stillroom begin --from readings.csv
      stillroom begin --browser
    """
    from ..first_room.force import draft_path, refuse_existing

    refuse_existing(config, data)
    if browser:
        from dashboard.first_room import ask_in_browser

        if not ask_in_browser(config, data, port, file, typer.echo, starts=not no_start):
            raise typer.Exit(2)
        _go_on(data, port, start=not no_start)
        return
    try:
        _ask_here(config, data, file)
    except typer.Abort:
        again = f" The answers are kept in {draft_path(config)}; the same command goes on with them."
        typer.echo(f"\nStopped; nothing is in force.{again if draft_path(config).exists() else ''}", err=True)
        raise typer.Exit(2) from None
    ask = "Start the service and the pages now?"
    _announce(data)
    _go_on(data, port, start=not no_start and typer.confirm(ask, default=True))


def _go_on(data: Path, port: int, *, start: bool) -> None:
    if start:
        _run(data, port)
        return
    typer.echo(f"Start the service with:  stillroom run --data {data}")
    typer.echo(f"and the pages:           stillroom serve --data {data} --port {port}")


def _ask_here(config: Path, data: Path, file: Path | None) -> None:
    """The eight questions on the terminal, the summary, and the act."""
    from ..first_room.draft import Draft, load_draft, save_draft
    from ..first_room.force import describe, draft_path, put_in_force
    from ..first_room.questions import QUESTIONS

    path = draft_path(config)
    draft = describe(Draft(load_draft(path) | {"from": str(file) if file else ""}))
    if len(draft.values) > 1:
        typer.echo(f"Going on with the answers of {path}; Enter accepts the answer in brackets.")
    if draft.described is not None:
        names = ", ".join(channel.words for channel in draft.channels) or "no unit is named in it"
        typer.echo(f"{Path(draft.text('from')).name}: {names}.")
    for place, question in enumerate(QUESTIONS, 1):
        draft = _answered(place, question, draft)
        save_draft(path, draft)
    while (number := _place_to_change(draft)) is not None:
        draft = _answered(number, QUESTIONS[number - 1], draft)
        save_draft(path, draft)
    result = put_in_force(draft, config, data, time.time_ns())
    typer.echo(f"\nSetup version 1 is in force, by {draft.text('custodian')}. Its files are in {config}:")
    typer.echo(
        f"  {', '.join(sorted(p.relative_to(config).as_posix() for p in config.rglob('*') if p.is_file()))}"
    )
    if result is not None:
        typer.echo(f"{result.name}: {number_of(result.stored, 'reading')} imported.")


def _answered(place: int, question: Question, draft: Draft) -> Draft:
    """The draft with one question answered so that it can be used; asked again until it is.

    A probe is tried as soon as it is known how it is reached, before anything else about it is asked.
    """
    fields = question.fields(draft)
    ask, hint = question.words(draft)
    typer.echo(f"\n{place} of 8  {ask}")
    typer.echo(f"  {hint}" if fields else "  The file answers this.")
    before, right = draft, set[str]()
    untried = question.key == LIVE_TRY and draft.described is None
    while True:
        draft = _filled(question, draft, right | AFTER_TRY if untried else right)
        try:
            if untried:
                draft, untried = _tried(draft), False
                draft = _filled(question, draft, {f.key for f in question.fields(draft)} - AFTER_TRY)
            question.check(draft)
            return draft
        except Refused as refused:
            typer.echo(f"  {refused}", err=True)
            # What was refused is asked again, alone, and not proposed: Enter would be refused for ever.
            keys = {f.key: f.label.split(",")[0] for f in question.fields(draft)}
            wrong = [key for key, label in keys.items() if str(refused).startswith(label)]
            right = keys.keys() - wrong if wrong else set()
            draft = draft.with_values({key: before.text(key) for key in wrong})


def _filled(question: Question, draft: Draft, right: Collection[str]) -> Draft:
    """Each field asked once, but for those that are right; an answer may bring further fields."""
    asked_ids = set(right)
    while True:
        field = next((f for f in question.fields(draft) if f.key not in asked_ids), None)
        if field is None:
            return draft
        asked_ids.add(field.key)
        draft = draft.with_values({field.key: _ask(field, draft.text(field.key))})


def _ask(field: Field, before: str) -> str:
    note = field.hint + (f"; Enter: {field.empty}" if field.hint and field.empty else "")
    note = note or (f"Enter: {field.empty}" if field.empty else "")
    proposed = before or field.value
    if field.options:
        typer.echo(f"  {field.label}:")
        for number, (_, words) in enumerate(field.options, 1):
            typer.echo(f"    {number}  {words}")
        stored = [value for value, _ in field.options]
        shown = str(stored.index(proposed) + 1) if proposed in stored else ""
        answer = typer.prompt("  Number", default=shown, show_default=bool(shown)).strip()
        return (
            stored[int(answer) - 1]
            if answer.isdecimal() and 0 < int(answer) <= len(stored)
            else _option(answer, stored)
        )
    label = f"  {field.label}{f' ({note})' if note else ''}"
    return str(typer.prompt(label, default=proposed, show_default=bool(proposed)))


def _option(answer: str, stored: list[str]) -> str:
    """An option by its own name; else nothing, which the check of the question refuses."""
    return answer if answer in stored else ""


def _tried(draft: Draft) -> Draft:
    """The draft with what the probe answered just now."""
    from ..first_room.trial import try_probe

    typer.echo("  Trying …" if draft.text("ask") else "  Listening for up to 20 s …")
    answered = try_probe(draft)
    for line in answered.shown:
        typer.echo(f"  received: {line}")
    return draft.with_values({"line": answered.line})


def _place_to_change(draft: Draft) -> int | None:
    """The number of the question to answer anew; None: put it in force."""
    from ..first_room.force import plan
    from ..first_room.questions import QUESTIONS

    typer.echo("\nEverything at a glance")
    for place, question in enumerate(QUESTIONS, 1):
        typer.echo(f"  {place}  {question.title:<15} {question.summary(draft)}")
    sound = True
    try:
        for note in plan(draft, time.time_ns()).notes:
            typer.echo(f"  note: {note}")
    except StillroomError as refused:
        sound = False
        typer.echo(f"  {refused}", err=True)
    ask = (
        "Enter puts it in force as setup version 1; a number changes that answer"
        if sound
        else "Change which answer"
    )
    while True:
        answer = typer.prompt(ask, default="", show_default=False).strip()
        if not answer and sound:
            return None
        if answer.isdecimal() and 1 <= int(answer) <= len(QUESTIONS):
            return int(answer)


def _announce(data: Path) -> None:
    """What is still missing, and when the first hours bring it."""
    from ..first_room.outlook import next_steps
    from .context import open_session

    with open_session(data, None) as session:
        extent = session.store.readings.extent()
        from_ns = session.now_ns if extent is None else extent[0]
        for zone in session.setup.zones.values():
            typer.echo(f"\n{zone.name}, what comes when:")
            for step in next_steps(session.setup, zone, from_ns):
                at = "still missing" if step.at_ns is None else wall(step.at_ns, session.zone_info)
                typer.echo(f"  {at:<23} {step.text}")


def _run(data: Path, port: int) -> None:
    """The service here and the pages beside it, until Ctrl-C."""
    from ..processes.pages import pages
    from ..processes.stop_request import StopRequest
    from ..service import Service
    from ..simulation.demo import port_is_free
    from .context import open_session

    if not port_is_free("127.0.0.1", port):
        raise Refused(
            f"Port {port} is in use. The setup is in force; start it with:  stillroom run --data {data}  and "
            f"stillroom serve --data {data} --port {port + 1}"
        )
    with open_session(data, None) as session, session.store.lock_service(), StopRequest() as stop:
        service = Service(session.store, session.config)
        service.start()
        try:
            with pages(data, port, stop, quiet=False) as shown:
                typer.echo("The service reads and judges; Ctrl-C stops it and the pages.")
                if not stop.wait(lambda: service.alive and shown.poll() is None):
                    raise StillroomError("The pages or the service ended by themselves; see the journal.")
        finally:
            service.stop()
