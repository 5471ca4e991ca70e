"""Compare probes that stood beside each other (`compare`)."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import IntervalError, Refused
from ..instants import NS, parse, rfc3339
from .context import open_session
from .options import DEFAULT_DATA, Config, Data, Json
from .output import answer, table

if TYPE_CHECKING:
    from ..core.calibration.comparison import ProbeComparison


def add_to(app: typer.Typer) -> None:
    app.command("compare", short_help="Differences between probes side by side.")(compare)


def compare(
    channels: Annotated[
        list[str], typer.Argument(metavar="CHANNEL…", help="Two channels or more of one quantity.")
    ],
    *,
    begin: Annotated[str, typer.Option("--from", metavar="TIME", help="Start of the side-by-side time.")],
    end: Annotated[str, typer.Option("--to", metavar="TIME", help="End of it.")],
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
    from ..verdicts.curves import at_common_bins, curve

    with open_session(data, config) as session:
        from_ns, to_ns = parse(begin, session.zone_info, "--from"), parse(end, session.zone_info, "--to")
        if to_ns <= from_ns:
            raise IntervalError("The interval is empty: --to must be later than --from.")
        comparable = {**session.setup.channels, **{c: c for c in channels if session.setup.inputs_of(c)}}
        if strangers := [c for c in channels if c not in comparable]:
            raise Refused(
                f"There is no channel {strangers[0]!r}. The setup has: {', '.join(session.setup.channels)}."
            )
        measured = session.setup.channels
        if len({measured[c].quantity if c in measured else c.rpartition(".")[2] for c in channels}) != 1:
            raise Refused("Only channels of one quantity can be compared; name them one quantity at a time.")
        minutes = max((to_ns - from_ns) // (60 * NS), 1)
        curves = at_common_bins(
            [curve(session.store, session.setup, c, from_ns, to_ns, bins=minutes) for c in channels]
        )
        comparison = compare_side_by_side(
            {c: channel_curve.mean for c, channel_curve in zip(channels, curves, strict=True)}
        )
    span = {"from": rfc3339(from_ns), "to": rfc3339(to_ns)}
    answer({**span, **asdict(comparison)}, as_json, _lines(comparison))


def _lines(comparison: ProbeComparison) -> list[str]:
    offsets = [
        (o.channel, f"{o.offset:+.4f}", f"{o.U:.4f}", f"{o.repeatability:.4f}") for o in comparison.offsets
    ]
    pairs = [
        (f"{p.first} − {p.second}", f"{p.difference:+.4f}", f"{p.U:.4f}", f"{p.repeatability:.4f}")
        for p in comparison.pairs
    ]
    heads = ("offset", "U (k = 2)", "repeatability (1 s)")
    return [
        f"{comparison.cells} common minutes; offsets against the mean of these channels, "
        "not against the truth.",
        "",
        *table(("channel", *heads), offsets),
        "",
        *table(("pair", *heads), pairs),
    ]
