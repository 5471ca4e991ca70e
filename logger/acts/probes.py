"""Probes that come, move, are replaced or leave: recorded acts, proposed and approved like any setup.

A position keeps its series: the old probe's placement ends at the instant at which the new one's begins, each
reading stays with its own probe and certificate, and every page and record shows the change as a mark.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from ..config import in_force, load_texts
from ..config.edits import added, disconnected, ended, placed, standing, with_certificates
from ..errors import Refused
from ..instants import rfc3339
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
    texts, key = added(with_certificates(_texts(store), deed.papers), text)
    texts = placed(texts, key, position, deed.at_ns, f"probes-{key}.toml")
    serial = load_texts(texts).setup.probes[key].serial
    return _propose(store, texts, f"{key} ({serial}) is at {position} from {_at(deed)} on.", deed)


def swap(store: Store, old: str, new: str, change: ProbeChange, text: str = "") -> ProposedChange:
    """Another probe takes the place of one: of the register, standing nowhere, or new, written in `text`."""
    texts: Mapping[str, str] = with_certificates(_texts(store), change.papers)
    place = standing(texts, old)
    if text:
        texts, key = added(texts, text)
        if key != new:
            raise Refused(f"The file describes probe {key}, not {new}; nothing was changed.")
    if old == new:
        raise Refused(f"Probe {old} cannot replace itself. Nothing was changed.")
    texts = disconnected(ended(texts, old, change.at_ns), old)
    texts = placed(texts, new, place.position, change.at_ns, f"probes-{new}.toml" if text else place.file)
    sentence = f"At {place.position}, {new} replaces {old} from {_at(change)} on."
    return _propose(store, texts, sentence, change)


def move(store: Store, probe: str, position: str, change: ProbeChange) -> ProposedChange:
    """The same probe at another position."""
    texts = _texts(store)
    place = standing(texts, probe)
    if place.position == position:
        raise Refused(f"Probe {probe} is at {position} already. Nothing was changed.")
    texts = placed(ended(texts, probe, change.at_ns), probe, position, change.at_ns, place.file)
    sentence = f"{probe} is at {position} from {_at(change)} on, until then at {place.position}."
    return _propose(store, texts, sentence, change)


def withdraw(store: Store, probe: str, change: ProbeChange) -> ProposedChange:
    """A probe leaves its place and is not asked any more; its readings and certificates stay."""
    texts = _texts(store)
    place = standing(texts, probe)
    texts = disconnected(ended(texts, probe, change.at_ns), probe)
    sentence = f"{probe} leaves {place.position} at {_at(change)}; its readings stay."
    return _propose(store, texts, sentence, change)


def _at(deed: ProbeChange) -> str:
    return rfc3339(deed.at_ns)


def _texts(store: Store) -> Mapping[str, str]:
    versions = store.setups.versions()
    if not versions:
        raise Refused("No setup is in force yet; begin with `stillroom config apply`.")
    return in_force(versions).texts


def _propose(store: Store, texts: Mapping[str, str], sentence: str, change: ProbeChange) -> ProposedChange:
    if change.at_ns > change.now_ns:
        raise Refused("The time is in the future. Enter when it was done. Nothing was changed.")
    change.check(texts)
    version = propose(store, texts, change.who, change.why.strip() or sentence, change.now_ns)
    return ProposedChange(sentence, version)
