"""Acts on the register of probes: add, swap, move, withdraw."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from ..instants import parse
from ..model.roles import Act
from .authority import authorised
from .context import Session, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who, Yes
from .output import answer

if TYPE_CHECKING:
    from ..acts.probes import ProbeChange, ProposedChange

Probe = Annotated[str, typer.Argument(metavar="PROBE", help="Key of the probe, as in `probe list`.")]
Position = Annotated[str, typer.Option("--to", metavar="POSITION", help="Key of the position (room.toml).")]
At = Annotated[
    str | None,
    typer.Option("--at", metavar="TIME", help="When it was done; default: now."),
]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="Reason, for the journal.")]
File = Annotated[
    Path | None,
    typer.Option("--file", metavar="FILE", help="The new probe, as in probes.toml: one table."),
]
Papers = Annotated[
    list[Path] | None,
    typer.Option("--certificate", metavar="FILE", help="A certificate that comes with it; may be repeated."),
]


def commands(app: typer.Typer) -> None:
    """Add these commands to the group `probe`."""
    app.command("add", short_help="Add a probe at a position.")(add)
    app.command("swap", short_help="Replace a probe.")(swap)
    app.command("move", short_help="Move a probe to another position.")(move)
    app.command("withdraw", short_help="Remove a probe.")(withdraw)


def add(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The probe as in probes.toml: one table.")],
    *, to: Position, certificate: Papers = None, at: At = None, why: Why = "", yes: Yes = False,
    who: Who = "", data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False,
) -> None:  # fmt: skip
    """Propose a new probe at a position; where rules ask for it, with its certificates.

    \b
    Example:
      stillroom probe add p8.toml --to bench-air --certificate AG-0499-T.toml
    """
    from ..acts import probes as placing

    def act(session: Session, deed: ProbeChange) -> ProposedChange:
        return placing.add(session.store, _read_text(file), to, _with_certificates(deed, certificate))

    _propose(act, (at, who, why, yes), (data, config), as_json)


def swap(
    old: Probe,
    new: Annotated[str, typer.Argument(metavar="NEW", help="Key of the probe that takes its place.")],
    *, file: File = None, certificate: Papers = None, at: At = None, why: Why = "", yes: Yes = False,
    who: Who = "", data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False,
) -> None:  # fmt: skip
    """Propose that another probe takes the place of one: the position keeps its series, with a mark.

    \b
    Example:
      stillroom probe swap P2 P8 --file p8.toml --certificate AG-0499-T.toml --at 2026-10-26T10:00
    """
    from ..acts import probes as placing

    def act(session: Session, deed: ProbeChange) -> ProposedChange:
        text = _read_text(file) if file else ""
        return placing.swap(session.store, old, new, _with_certificates(deed, certificate), text)

    _propose(act, (at, who, why, yes), (data, config), as_json)


def move(
    probe: Probe, *, to: Position, at: At = None, why: Why = "", yes: Yes = False,
    who: Who = "", data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False,
) -> None:  # fmt: skip
    """Propose that a probe stands elsewhere from a time on: what it read before stays where it was.

    \b
    Example:
      stillroom probe move P2 --to bench-air
    """
    from ..acts import probes as placing

    def act(session: Session, deed: ProbeChange) -> ProposedChange:
        return placing.move(session.store, probe, to, deed)

    _propose(act, (at, who, why, yes), (data, config), as_json)


def withdraw(
    probe: Probe, *, at: At = None, why: Why = "", yes: Yes = False,
    who: Who = "", data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False,
) -> None:  # fmt: skip
    """Propose that a probe leaves its place and is no longer polled; its readings stay.

    \b
    Example:
      stillroom probe withdraw P6 --why "sent to the manufacturer"
    """
    from ..acts import probes as placing

    def act(session: Session, deed: ProbeChange) -> ProposedChange:
        return placing.withdraw(session.store, probe, deed)

    _propose(act, (at, who, why, yes), (data, config), as_json)


def _with_certificates(deed: ProbeChange, papers: list[Path] | None) -> ProbeChange:
    return replace(deed, papers={paper.name: _read_text(paper) for paper in papers or ()})


def _read_text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{file} cannot be read: {error}. Nothing was changed.") from error


def _propose(
    act: Callable[[Session, ProbeChange], ProposedChange],
    change_options: tuple[str | None, str, str, bool],
    where: tuple[Path, Path | None],
    as_json: bool,
) -> None:
    """Two lines: what it comes to, and who puts it in force."""
    from ..acts.probes import ProbeChange
    from ..inspections.setup_effect import effect_if_approved, refuse_unconfirmed

    at, who, why, yes = change_options
    effects = []
    with open_session(*where) as session:
        name = authorised(session.store, who, Act.PROPOSE)
        at_ns = session.now_ns // 10**9 * 10**9 if at is None else parse(at, session.zone_info, "--at")

        def check(texts: Mapping[str, str]) -> None:
            effects.append(effect_if_approved(session.store, texts, name, session.now_ns))
            refuse_unconfirmed(effects[0], yes=yes, how="Add --yes")

        proposed = act(session, ProbeChange(name, at_ns, session.now_ns, why, check=check))
    approve = (
        f"Proposed as version {proposed.version}; another person runs: "
        f"stillroom config approve {proposed.version}"
    )
    (effect,) = effects
    payload = {"sentence": proposed.sentence, "version": proposed.version, "effect": effect.to_dict()}
    answer(payload, as_json, [proposed.sentence, *effect.sentences, approve])
