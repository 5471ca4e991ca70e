"""Clocks: those of probes compared, and that of this machine corrected."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import UnknownName
from ..instants import parse, rfc3339
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who
from .output import answer, table

if TYPE_CHECKING:
    from ..store.unplaced import UnplacedReadings

clock = command_group("Clocks: those of probes compared, that of this machine corrected.")
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="How this is known, for the journal.")]


def add_to(app: typer.Typer) -> None:
    app.add_typer(clock, name="clock")


@clock.callback()
def group() -> None:
    """Clocks: those of probes compared, that of this machine corrected."""


@clock.command("list")
def list_comparisons(*, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Comparisons of the probes' own clocks, and boots of this machine whose stamps wait for a correction."""
    from ..store.unplaced import unplaced_readings, waiting_boots

    with open_session(data, config) as session:
        compared = [c for probe in session.setup.probes for c in session.store.clocks.comparisons(probe)]
        unsure, stored = waiting_boots(session.store), unplaced_readings(session.store)
        showed = [session.wall(c.clock_ns) for c in compared]
        since = [session.wall(d.at_ns) for d in unsure.values()]
    rows = [
        {"probe": c.probe, "showed": rfc3339(c.clock_ns), "ahead_s": round(c.offset_ns / 1e9, 3)}
        for c in compared
    ]
    compared_cells = [(r["probe"], text, r["ahead_s"]) for r, text in zip(rows, showed, strict=True)]
    boots = [
        {"boot": d.boot, "since": rfc3339(d.at_ns), "readings": _readings(stored.get(d.boot)), "why": d.why}
        for d in unsure.values()
    ]
    lines = [
        f"{number_of(len(rows), 'comparison')}, {number_of(len(boots), 'boot')} waiting for a correction."
    ]
    if rows:
        lines += ["", *table(("probe", "its clock showed", "ahead, s"), compared_cells)]
    if boots:
        cells = [(b["boot"], text, b["readings"], b["why"]) for b, text in zip(boots, since, strict=True)]
        lines += ["", *table(("boot", "since, by itself", "readings", "because"), cells)]
    answer({"comparisons": rows, "unsure": boots}, as_json, lines)


def _readings(waiting: UnplacedReadings | None) -> int:
    return 0 if waiting is None else waiting.readings


@clock.command("compare")
def compare(
    probe: Annotated[str, typer.Argument(metavar="PROBE", help="Key of the probe or logger.")],
    *,
    shows: Annotated[str, typer.Option("--shows", metavar="TIME", help="What its own clock shows.")],
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="True time; default: now.")] = None,
    why: Why = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Record that the clock of a probe was compared. Between two comparisons its drift is taken out evenly.

    \b
    Example:
      stillroom clock compare P5 --shows 2026-11-14T09:56 --at 2026-11-14T10:00 --why "read out"
    """
    from ..store.hot.clocks import ClockComparison

    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.MARK)
        if probe not in session.setup.probes:
            raise UnknownName("probe", probe, session.setup.probes)
        clock_ns = parse(shows, session.zone_info, "--shows")
        at_ns = session.now_ns if at is None else parse(at, session.zone_info, "--at")
        with session.store.begin() as conn:
            comparison = ClockComparison(probe, clock_ns, clock_ns - at_ns)
            session.store.clocks.record_comparison(
                comparison, name, why.strip() or "compared by a person", conn
            )
    ahead_s = (clock_ns - at_ns) / 1e9
    required_text = f"The clock of {probe} was {abs(ahead_s):g} s {'ahead' if ahead_s > 0 else 'behind'}."
    more = "Reading times are corrected linearly since the previous comparison; stored times are unchanged."
    answer({"probe": probe, "ahead_s": ahead_s}, as_json, [required_text, more])


@clock.command("correct")
def correct(
    boot: Annotated[str, typer.Argument(metavar="BOOT", help="As in `clock list`.")],
    *,
    shift: Annotated[
        float,
        typer.Option("--shift", metavar="S", help="Seconds that its stamps are moved by; 0: none."),
    ],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="How this is known, for the journal.")],
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Enter how wrong this machine's clock was while it was not synchronised; its readings then count.

    \b
    Example:
      stillroom clock correct 0b1c2d3e --shift 3600 --why "compared with the radio clock by the door"
    """
    from ..acts.required import required_text
    from ..store.unplaced import waiting_boots

    why = required_text(why, "reason")
    with open_session(data, config) as session:
        name = authorised(session.store, who, Act.PROPOSE)
        clocks = session.store.clocks
        waiting = waiting_boots(session.store)
        matches = [b for b in waiting if b.startswith(boot)]
        if len(matches) != 1:
            raise UnknownName("boot that waits for a correction", boot, waiting)
        base_ns = waiting[matches[0]].base_ns + round(shift * 1e9)
        with session.store.begin() as conn:
            clocks.record_correction(matches[0], base_ns, name, why, conn)
    outcome = (
        f"Stamps of boot {matches[0]} are corrected by {shift:+g} s when "
        "read back; stored times are unchanged."
    )
    answer({"boot": matches[0], "shift_s": shift}, as_json, [outcome])
