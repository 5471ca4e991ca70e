"""Compare probes that stood beside each other (`compare`)."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import IntervalError, Refused
from ..instants import NS, parse, rfc3339
from .context import opened
from .options import DEFAULT_DATA, Config, Data, Json
from .output import answer, table

if TYPE_CHECKING:
    from ..core.calibration.comparison import ProbeComparison


def add_to(app: typer.Typer) -> None:
    app.command("compare", short_help="How far probes that stood side by side differ.")(compare)


def compare(
    channels: Annotated[
        list[str], typer.Argument(metavar="CHANNEL…", help="Two channels or more of one quantity.")
    ],
    *,
    begin: Annotated[str, typer.Option("--from", metavar="TIME", help="From when they stood together.")],
    end: Annotated[str, typer.Option("--to", metavar="TIME", help="Until when.")],
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Offsets of probes that stood side by side: against their mean, and pair by pair, with U.

    Corrected values are compared minute by minute. Dew points are compared by P1.dew_point and the like;
    humidities are best compared so, for they differ wherever the temperature does.

    \b
    Example:
      stillroom compare P1.temperature P2.temperature --from 2026-10-20T20:00 --to 2026-10-20T22:00
    """
    from ..core.calibration.comparison import compare_side_by_side
    from ..verdicts.curves import curve, together

    with opened(data, config) as found:
        from_ns, to_ns = parse(begin, found.zone_info, "--from"), parse(end, found.zone_info, "--to")
        if to_ns <= from_ns:
            raise IntervalError("The interval is empty: --to must be later than --from.")
        known = {**found.setup.channels, **{c: c for c in channels if found.setup.inputs_of(c)}}
        if strangers := [c for c in channels if c not in known]:
            raise Refused(
                f"There is no channel {strangers[0]!r}; known are {', '.join(found.setup.channels)}."
            )
        measured = found.setup.channels
        if len({measured[c].quantity if c in measured else c.rpartition(".")[2] for c in channels}) != 1:
            raise Refused("Only channels of one quantity can be compared; name them one quantity at a time.")
        minutes = max((to_ns - from_ns) // (60 * NS), 1)
        curves = together(
            [curve(found.store, found.setup, c, from_ns, to_ns, bins=minutes) for c in channels]
        )
        told = compare_side_by_side({c: one.mean for c, one in zip(channels, curves, strict=True)})
    span = {"from": rfc3339(from_ns), "to": rfc3339(to_ns)}
    answer({**span, **asdict(told)}, as_json, _lines(told))


def _lines(told: ProbeComparison) -> list[str]:
    offsets = [(o.channel, f"{o.offset:+.4f}", f"{o.U:.4f}", f"{o.repeatability:.4f}") for o in told.offsets]
    pairs = [
        (f"{p.first} − {p.second}", f"{p.difference:+.4f}", f"{p.U:.4f}", f"{p.repeatability:.4f}")
        for p in told.pairs
    ]
    heads = ("offset", "U (k = 2)", "repeatability (1 s)")
    return [
        f"{told.cells} common minutes; offsets against the mean of these channels, not against the truth.",
        "",
        *table(("channel", *heads), offsets),
        "",
        *table(("pair", *heads), pairs),
    ]
