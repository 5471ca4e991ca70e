"""What SIGHUP asks for: the files in the configuration folder, looked at again.

Files that changed become a proposal, as `stillroom config apply` makes one; nothing comes into force
without the approval of a person. A faulty set is refused whole. Both are in the journal.
"""

from __future__ import annotations

from pathlib import Path

from ..acts.setup import SERVICE, propose
from ..config import read_texts
from ..errors import ConfigError, Refused
from ..store import Store
from ..store.types import JSON

WHO = SERVICE


def reload(store: Store, folder: Path | None, now_ns: int) -> str:
    """Look at the files again; the outcome as a sentence, which the journal has too."""
    if folder is None:
        return _journal_outcome(
            store, "The service was started without --config; there are no files to read."
        )
    try:
        number = propose(store, read_texts(folder), WHO, "the files changed; SIGHUP", now_ns, by_service=True)
    except ConfigError as faulty:
        faults = [str(fault) for fault in faulty.faults[:20]]
        return _journal_outcome(store, f"{folder} was rejected. The setup in force stays.", faults)
    except Refused as refused:
        return _journal_outcome(store, str(refused))
    return _journal_outcome(
        store,
        f"{folder} is proposed as version {number}. One person takes it over (`stillroom config take-over "
        f"{number}`), another approves it.",
    )


def _journal_outcome(store: Store, sentence: str, faults: list[str] | None = None) -> str:
    what: dict[str, JSON] = {"event": "config-reload", "outcome": sentence}
    if faults:
        what["faults"] = list(faults)
    store.journal.append("event", "service", what)
    return sentence
