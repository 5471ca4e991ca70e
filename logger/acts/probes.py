"""Probes that come, move, are replaced or leave: recorded acts, proposed and approved like any setup.

A position keeps its series: the old probe's placement ends at the instant at which the new one's begins, each
reading stays with its own probe and certificate, and every page and record shows the change as a mark.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from ..config import in_force, load_texts
from ..config.edits import added, disconnected, ended, placed, standing, with_certificates
from ..errors import Refused
from ..instants import wall
from ..store import Store
from .setup import propose


@dataclass(frozen=True)
class ProbeChange:
    """Who did it, when it was done, when it is told, and why."""

    who: str
    at_ns: int
    now_ns: int
    why: str = ""
    papers: Mapping[str, str] = field(default_factory=dict)  # its certificates: file name -> text
    check: Callable[[Mapping[str, str]], None] = lambda _: None  # of the files; may refuse before anything


@dataclass(frozen=True)
class ProposedChange:
    """What a deed came to: a sentence for a person, and the number of the proposed version."""

    sentence: str
    version: int


def add(store: Store, text: str, position: str, deed: ProbeChange) -> ProposedChange:
    """A new probe, written as in probes.toml, at a position."""
    texts = texts_of_addition(with_certificates(_texts(store), deed.papers), text, position, deed.at_ns)
    _, key = added(_texts(store), text)
    serial = load_texts(texts).setup.probes[key].serial
    return _propose(store, texts, f"{key} ({serial}) is at {position} from {_at(store, deed)} on.", deed)


def swap(store: Store, old: str, new: str, change: ProbeChange, text: str = "") -> ProposedChange:
    """Another probe takes the place of one: of the register, standing nowhere, or new, written in `text`."""
    texts: Mapping[str, str] = with_certificates(_texts(store), change.papers)
    place = standing(texts, old)
    texts = texts_of_swap(texts, old, new, change.at_ns, text)
    sentence = f"At {place.position}, {new} replaces {old} from {_at(store, change)} on."
    return _propose(store, texts, sentence, change)


def move(store: Store, probe: str, position: str, change: ProbeChange) -> ProposedChange:
    """A probe goes to another position."""
    texts = _texts(store)
    place = standing(texts, probe)
    texts = texts_of_move(texts, probe, position, change.at_ns)
    sentence = f"{probe} is at {position} from {_at(store, change)} on, until then at {place.position}."
    return _propose(store, texts, sentence, change)


def withdraw(store: Store, probe: str, change: ProbeChange) -> ProposedChange:
    """A probe leaves its place and is not asked any more; its readings and certificates stay."""
    texts = _texts(store)
    place = standing(texts, probe)
    texts = texts_of_withdrawal(texts, probe, change.at_ns)
    sentence = f"{probe} leaves {place.position} at {_at(store, change)}; its readings stay."
    return _propose(store, texts, sentence, change)


def texts_of_addition(texts: Mapping[str, str], text: str, position: str, at_ns: int) -> dict[str, str]:
    """The files with one more probe, written as in probes.toml, at a position."""
    with_probe, key = added(texts, text)
    return placed(with_probe, key, position, at_ns, f"probes-{key}.toml")


def texts_of_swap(texts: Mapping[str, str], old: str, new: str, at_ns: int, text: str = "") -> dict[str, str]:
    """The files with another probe at the position of one; `new` "": the one that `text` describes."""
    place = standing(texts, old)
    if text:
        texts, key = added(texts, text)
        if new not in ("", key):
            raise Refused(f"The file describes probe {key}, not {new}; nothing was changed.")
        new = key
    if old == new:
        raise Refused(f"Probe {old} cannot replace itself. Nothing was changed.")
    texts = disconnected(ended(texts, old, at_ns), old)
    return placed(texts, new, place.position, at_ns, f"probes-{new}.toml" if text else place.file)


def texts_of_move(texts: Mapping[str, str], probe: str, position: str, at_ns: int) -> dict[str, str]:
    """The files with a probe at another position."""
    place = standing(texts, probe)
    if place.position == position:
        raise Refused(f"Probe {probe} is at {position} already. Nothing was changed.")
    return placed(ended(texts, probe, at_ns), probe, position, at_ns, place.file)


def texts_of_withdrawal(texts: Mapping[str, str], probe: str, at_ns: int) -> dict[str, str]:
    """The files with a probe that has left its position and is not asked any more."""
    return disconnected(ended(texts, probe, at_ns), probe)


def _at(store: Store, deed: ProbeChange) -> str:
    return wall(deed.at_ns, ZoneInfo(load_texts(_texts(store)).setup.room.timezone))


def _texts(store: Store) -> Mapping[str, str]:
    versions = store.setups.versions()
    if not versions:
        raise Refused("No setup is in force yet; begin with `stillroom config apply`.")
    return in_force(versions).texts


def _propose(store: Store, texts: Mapping[str, str], sentence: str, change: ProbeChange) -> ProposedChange:
    if change.at_ns > change.now_ns:
        raise Refused("The time is in the future. Enter the time at which it was done. Nothing was changed.")
    change.check(texts)
    version = propose(store, texts, change.who, change.why.strip() or sentence, change.now_ns)
    return ProposedChange(sentence, version)
