"""Measure the speed on this machine; ratios of one run (`bench`)."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Literal

import typer

from .command_list import command_group
from .options import Json
from .output import answer

bench_app = command_group("Measure the speed on this machine, on records made for it.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(bench_app, name="bench", short_help="How fast is it here? Ratios of one run.")


@bench_app.command("judge", short_help="Full judgement of a record.")
def judge(
    *,
    channels: Annotated[int, typer.Option(min=8, help="How many probes, one reading a minute each.")] = 16,
    days: Annotated[int, typer.Option(help="How many days of them.")] = 365,
    keep: Annotated[
        Path | None, typer.Option(help="Make the record here and keep it for the next run.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Judge a synthetic record and compare with a bare numpy script and with ioos-qc on the same readings.

    Making a year of 16 probes takes some minutes; name a folder with --keep to make it once.
    """
    from ..bench.judge import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    with tempfile.TemporaryDirectory() as scratch:
        figures = run(keep or Path(scratch), channels, days, say)
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("store", short_help="Size, reading, charts, commits, verification.")
def store(
    *,
    channels: Annotated[int, typer.Option(min=8, help="How many probes, one reading a minute each.")] = 20,
    days: Annotated[int, typer.Option(help="How many days of them.")] = 365,
    keep: Annotated[
        Path | None, typer.Option(help="Make the record here and keep it for the next run.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Bytes a reading, reading beside bare pyarrow, charts of any length, commits, verifying beside hashing.

    Making a year of 20 probes takes some minutes; name a folder with --keep to make it once.
    """
    from ..bench.store import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    with tempfile.TemporaryDirectory() as scratch:
        figures = run(keep or Path(scratch), channels, days, say)
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("homes", short_help="Durable batches of many rooms: folder beside database server.")
def homes(
    *,
    server: Annotated[
        str, typer.Option("--server", metavar="ADDRESS", help="postgresql://…; its role may make schemas.")
    ],
    rooms: Annotated[int, typer.Option(min=1, max=200, help="How many rooms, a writer each.")] = 50,
    seconds: Annotated[float, typer.Option(min=1, help="How long each part goes on.")] = 20.0,
    as_json: Json = False,
) -> None:
    """A batch of 16 readings a second from each room, and flat out, in both homes of the hot tier.

    The schemas that it makes are dropped again.
    """
    from ..bench.homes import ratio, run

    figures = run(server, rooms, seconds, lambda line: typer.echo(line, err=True))
    answer(
        [dict(vars(each)) for each in figures], as_json, [*(each.line() for each in figures), ratio(figures)]
    )


@bench_app.command("dashboard", short_help="The pages in a real browser.")
def dashboard(
    *,
    probes: Annotated[int, typer.Option(min=8, help="How many probes, one reading a minute each.")] = 20,
    viewers: Annotated[int, typer.Option(min=1, help="How many viewers at 5 s refresh.")] = 50,
    seconds: Annotated[float, typer.Option(min=5, help="How long they watch.")] = 20.0,
    keep: Annotated[
        Path | None, typer.Option(help="Make the records here and keep them for the next run.")
    ] = None,
    as_json: Json = False,
) -> None:
    """First paint, ticks, zoom on ten years, 2,000 verdict periods beside 20, and many viewers.

    Needs playwright and a Chromium, as the tests do. Making ten years takes a minute or two: see --keep.
    """
    from dashboard.bench.bench import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    with tempfile.TemporaryDirectory() as scratch:
        figures = run(keep or Path(scratch), probes, viewers, seconds, say)
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("poll", short_help="How late polls are, and what polling costs.")
def poll(
    *,
    probes: Annotated[int, typer.Option(min=1, help="How many probes, polled once a second.")] = 64,
    lines: Annotated[int, typer.Option(min=1, help="On how many lines.")] = 8,
    seconds: Annotated[int, typer.Option(min=5, help="For how long.")] = 30,
    kind: Annotated[
        Literal["text", "opc-ua", "snmp", "bacnet"],
        typer.Option("--kind", help="Their protocol; other than text: 200 values a second."),
    ] = "text",
    as_json: Json = False,
) -> None:
    """Poll simulated probes over sockets: lateness beside a bare loop of sleeps, and share of one core."""
    if kind != "text":
        from ..bench import sources

        cost = sources.run(kind, seconds)
        answer(dict(vars(cost)), as_json, cost.lines())
        return
    from ..bench.poll import run

    figures = run(probes, lines, seconds, lambda line: typer.echo(line, err=True))
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("forecast", short_help="Skill of the forecasts.")
def forecast(
    *,
    days: Annotated[int, typer.Option(min=7, help="How many days of the synthetic room.")] = 60,
    csv: Annotated[Path | None, typer.Option(help="A recording instead of it, evenly spaced.")] = None,
    column: Annotated[str, typer.Option(help="The column of the recording.")] = "Temperature",
    every: Annotated[float, typer.Option(min=1.0, help="Seconds from one value to the next.")] = 60.0,
    half: Annotated[float, typer.Option(min=0.01, help="Limits, as a distance from the median, in K.")] = 0.5,
    as_json: Json = False,
) -> None:
    """Forecasts of crossings, and of the value in 30 min, against "it stays as it is"."""
    from ..bench.forecast import invented_skill, lines, recorded_skill

    figures = invented_skill(days) if csv is None else recorded_skill(csv, column, every, half)
    answer(dict(vars(figures)), as_json, lines(figures))


@bench_app.command("study", short_help="What the questions of a room study cost.")
def study(*, as_json: Json = False) -> None:
    """Every question of a room study on a synthetic year at 60 s, up to 16 channels: seconds and memory."""
    from ..bench.study import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    costs = run(say)
    answer([dict(vars(cost)) for cost in costs], as_json, [])


@bench_app.command("import", short_help="A long text file, beside DuckDB's explicit read of it.")
def imports(
    *,
    rows: Annotated[int, typer.Option(min=1000, help="How many rows, two values each.")] = 1_000_000,
    as_json: Json = False,
) -> None:
    """Import a generated file of decimal-comma text, and read the same file with DuckDB, its format given."""
    from ..bench.imports import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    figures = run(rows, say)
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("audit", short_help="Records, the answer to one date, the package.")
def audit(
    *,
    channels: Annotated[int, typer.Option(min=8, help="How many probes, one reading a minute each.")] = 10,
    days: Annotated[int, typer.Option(help="How many days of them.")] = 365,
    as_json: Json = False,
) -> None:
    """What an assessor waits for: records of a month and of everything, one date, the package, verifying
    it, and which of 10,000 inspections a wrong probe affects.

    Making a year of 10 probes takes a minute or two.
    """
    from ..bench.audit import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    with tempfile.TemporaryDirectory() as scratch:
        figures = run(Path(scratch), channels, days, say)
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("notebook", short_help="A year of a channel as a DataFrame, beside bare pyarrow.")
def notebook(
    *,
    days: Annotated[int, typer.Option(help="How many days, one reading a minute.")] = 365,
    as_json: Json = False,
) -> None:
    """Read a synthetic channel by `import stillroom`, and the same bytes by pyarrow alone."""
    from ..bench.notebook import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    with tempfile.TemporaryDirectory() as scratch:
        figures = run(Path(scratch), days, say)
    answer(dict(vars(figures)), as_json, figures.lines())


@bench_app.command("rooms", short_help="Many rooms: two workers, fifty rooms in one process, page Rooms.")
def rooms(
    *,
    years: Annotated[int, typer.Option(min=2, help="How many records are judged.")] = 8,
    days: Annotated[int, typer.Option(min=2, help="How many days each record has.")] = 365,
    count: Annotated[
        int, typer.Option("--rooms", min=2, max=100, help="How many rooms in one process.")
    ] = 50,
    seconds: Annotated[float, typer.Option(min=5, help="How long they are watched.")] = 60.0,
    page: Annotated[int, typer.Option(min=0, help="How many rooms on page Rooms; 0: leave it out.")] = 200,
    as_json: Json = False,
) -> None:
    """Two workers against one, each bound to one core; processor and memory a room; page Rooms in a browser.

    Needs two cores, and the extra `group`. Making the records takes a minute or two.
    """
    from dashboard.bench.rooms import page_lines, paint_rooms

    from ..bench.rooms import run

    def say(line: str) -> None:
        typer.echo(line, err=True)

    painted = paint_rooms(page, say) if page else None
    figures = run(years, days, count, seconds, say)
    facts = {**vars(figures), "page": vars(painted) if painted else None}
    answer(facts, as_json, [*figures.lines(), *(page_lines(painted) if painted else [])])
