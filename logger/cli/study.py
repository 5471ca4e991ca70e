"""Why the room moves, where, and what to fix first: `study`."""

from __future__ import annotations

from typing import Annotated

import typer

from .command_list import command_group
from .study_parts import (
    Event,
    EventFile,
    LengthMm,
    MaterialName,
    Options,
    Outdoors,
    People,
    first_column,
    length_options,
    question,
)
from .study_report import report

_FRONT = """Why the room moves, where, and what to fix first.

Every figure has an interval that holds the true value in 95 of 100 cases, or says why it has none; where
the record does not give the figure, the answer is "not shown", why, and what to record. A study never
alters a verdict. Its result is stored under the digest of everything it rests on, and is shown on the page
Room study."""

study = command_group(_FRONT, name="study", rich_markup_mode=None)


def add_to(app: typer.Typer) -> None:
    app.add_typer(study, short_help="Why the room moves, where, and what to fix first.")


@study.command(short_help="What to fix first: the variation by cause, in K and µm.")
@question("causes")
def causes(
    *,
    event: Event = [],  # noqa: B006 (typer copies it)
    file: EventFile = None,
    outdoors: Outdoors = None,
    people: People = [],  # noqa: B006 (typer copies it)
    length_mm: LengthMm = None,
    material: MaterialName = "steel",
) -> Options:
    """What to fix first: the variation of a channel by outdoors, day and week, doors, cycle, and the rest.

    Needs 8 weeks. A cause that was not recorded is named; its share is counted in the day or in the rest.

    \b
    Example:
      stillroom study causes --channel P1.temperature --length-mm 1000 --material steel
    """
    doors = [*event, *(first_column(file) if file is not None else [])]
    more = length_options(length_mm, material)
    return {"events": doors or None, "outdoors": outdoors, "people": people or None, **more}


@study.command(short_help="What is regular: air-handling cycle, day, week.")
@question("cycles")
def cycles() -> Options:
    """What is regular: the cycle of the air handling, the course of the day and of the week.

    Needs 2 days for the cycle, 7 for the day, 4 weeks for the week.

    \b
    Example:
      stillroom study cycles --zone machine-bay --from 2026-10-12 --to 2026-10-26
    """
    return {}


@study.command(short_help="What disturbs: the mean response to doors, people, lamps.")
@question("events")
def events(
    *,
    event: Event = [],  # noqa: B006 (typer copies it)
    file: EventFile = None,
) -> Options:
    """What disturbs: the mean response of a channel to events of one kind, such as a door that opens.

    Needs 8 events on 6 days, at different times of the day.

    \b
    Example:
      stillroom study events --channel P1.temperature --events doors.csv
    """
    times = [*event, *(first_column(file) if file is not None else [])]
    return {"events": times}


@study.command(short_help="Did it help: before and after an intervention.")
@question("change")
def change(
    *,
    at: Annotated[str, typer.Option("--at", metavar="TIME", help="When the intervention was made.")],
    outdoors: Outdoors = None,
    other: Annotated[
        list[str], typer.Option("--other", metavar="TIME", help="When another intervention was made.")
    ] = [],  # noqa: B006 (typer copies it)
) -> Options:
    """Did it help: daily means before and after an intervention, the weather taken out.

    Needs 7 whole days on each side; 14 are better. One day around the intervention is left out.

    \b
    Example:
      stillroom study change --channel P1.temperature --at 2026-10-19T10:30
    """
    return {"at": at, "outdoors": outdoors, "others": other or None}


@study.command(short_help="How fast it follows: time constants from steps.")
@question("step")
def step(
    *,
    at: Annotated[
        list[str], typer.Option("--step", metavar="TIME", help="When a step began; default: find them.")
    ] = [],  # noqa: B006 (typer copies it)
    follows: Annotated[
        str | None,
        typer.Option("--follows", metavar="CHANNEL", help="The air that --channel follows; no step needed."),
    ] = None,
) -> Options:
    """How fast a room, a part or a probe follows: time constants from steps of the air handling.

    Needs 3 time constants of record after a step, and an hour before it; or, with --follows, any days on
    which the air moved.

    \b
    Example:
      stillroom study step --channel P1.temperature --step 2026-10-19T03:38
    """
    return {"steps": at or None, "follows": follows}


@study.command(short_help="When to measure: how probable hours in a row are stable.")
@question("hours", of_channel=False)
def hours(
    *,
    hours: Annotated[int, typer.Option("--hours", metavar="N", help="Hours in a row.")] = 2,
    season: Annotated[
        bool, typer.Option("--season", help="Only weeks up to 6 around this time of the year.")
    ] = False,
) -> Options:
    """When to measure: for each hour of the week, how probable it is that the next hours are stable.

    Needs 4 whole weeks of verdicts.

    \b
    Example:
      stillroom study hours --zone machine-bay --hours 4
    """
    return {"hours": hours, "season": season or None}


@study.command(short_help="When in the week to come: starts for jobs, with probabilities.")
@question("plan", of_channel=False)
def plan(
    *,
    job: Annotated[
        list[str],
        typer.Option("--job", metavar="NAME=HOURS", help="Something to measure, and its hours; repeat it."),
    ] = [],  # noqa: B006 (typer copies it)
) -> Options:
    """When to measure what in the seven days after --to: how probable each start is to stay stable.

    Needs 12 weeks of verdicts. With a probability stands how often the best starts of past weeks were
    right; where forecasts were wrong too often, the map of the past weeks is given instead.

    \b
    Example:
      stillroom study plan --zone machine-bay --job "Ring gear=3" --job "Bores=2"
    """
    return {"jobs": job}


@study.command(short_help="Is the forecast within the hour worth anything?")
@question("forecast")
def forecast() -> Options:
    """How much less the forecast errs than "it stays as it is", by horizon, on days that took no part.

    \b
    Example:
      stillroom study forecast --zone machine-bay --from 2026-09-01
    """
    return {}


@study.command(short_help="Where to put the probe.")
@question("site", of_channel=False)
def site(
    *,
    volume: Annotated[
        list[str],
        typer.Option("--volume", metavar="CHANNEL", help="A probe in the machine's volume; repeat it."),
    ] = [],  # noqa: B006 (typer copies it)
    permanent: Annotated[
        list[str],
        typer.Option("--permanent", metavar="CHANNEL", help="A candidate; default: the other air probes."),
    ] = [],  # noqa: B006 (typer copies it)
    length_mm: LengthMm = None,
    material: MaterialName = "steel",
) -> Options:
    """Where to put the probe: which permanent position predicts the air of the machine's volume best.

    Needs 5 days with probes in the volume and at every candidate.

    \b
    Example:
      stillroom study site --volume P2.temperature --volume P3.temperature --permanent P1.temperature
    """
    return {"volume": volume, "permanent": permanent or None, **length_options(length_mm, material)}


@study.command("map", short_help="Where it is too warm: a mapping campaign.")
@question("map", of_channel=False)
def mapping(
    *,
    position: Annotated[
        list[str],
        typer.Option(
            "--position", metavar="CHANNEL", help="A probe of the campaign; default: all in the air."
        ),
    ] = [],  # noqa: B006 (typer copies it)
    campaign: Annotated[
        str | None, typer.Option("--campaign", metavar="KEY", help="One that was planned here; see campaign.")
    ] = None,
    state: Annotated[
        str | None, typer.Option("--state", metavar="NAME", help="Of the campaign; default: all, compared.")
    ] = None,
    before: Annotated[
        str | None, typer.Option("--before", metavar="START/END", help="All side by side, before.")
    ] = None,
    after: Annotated[
        str | None, typer.Option("--after", metavar="START/END", help="All side by side, after.")
    ] = None,
) -> Options:
    """Where it is too warm: probes at their positions over a state of the room, against each other.

    Needs 9 probes, 24 h, and 2 h side by side before and after. Positions are those of the setup.

    \b
    Example:
      stillroom study map --zone machine-bay --from 2026-10-13 --to 2026-10-14 \\
        --before 2026-10-12T08:00/2026-10-12T10:00 --after 2026-10-15T08:00/2026-10-15T10:00
    """
    spans = {"before": before, "after": after}
    return {"positions": position or None, **spans, "campaign": campaign, "state": state}


@study.command("return", short_help="Ready on Monday: when the air handling must come back.")
@question("return")
def set_back(
    *,
    at: Annotated[
        list[str],
        typer.Option("--return", metavar="TIME", help="When the air handling came back; repeat it."),
    ] = [],  # noqa: B006 (typer copies it)
    departure_K: Annotated[
        float | None, typer.Option("--departure-K", metavar="K", help="At the next one; default: the usual.")
    ] = None,
    outdoors_C: Annotated[
        float | None, typer.Option("--outdoors-C", metavar="C", help="Outdoors at the next one.")
    ] = None,
) -> Options:
    """Ready on Monday: how long the zone takes to be stable after a set-back, from earlier returns.

    Needs 12 returns (8 for when half of them are ready). A start outside what was seen is refused, and so is
    a time that would be more than 1.5 h early on average, as returns scatter.

    \b
    Example:
      stillroom study return --zone machine-bay --return "2026-10-19T03:00" --return "2026-10-26T03:00"
    """
    return {"returns": at, "departure_K": departure_K, "outdoors_C": outdoors_C}


study.command(short_help="The newest answers of a zone as a PDF.")(report)
