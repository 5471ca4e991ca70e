"""From the answers to a setup in force: files checked and written, data folder made, file imported."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from ..acts.setup import apply_setup
from ..config import load_texts, warnings
from ..errors import Refused, StillroomError
from ..imports import ImportResult, import_file
from ..imports.importer import checked, content_of
from ..imports.outside import description_of
from ..instants import NS
from ..model import Config, Setup
from ..model.figures import channel_words
from ..store import Store
from .draft import Draft
from .files import profile_of, texts_of
from .questions import QUESTIONS


@dataclass(frozen=True)
class Plan:
    """What will be put in force: the configuration that came of the answers, and what deserves a thought."""

    config: Config
    notes: tuple[str, ...]

    @property
    def texts(self) -> Mapping[str, str]:
        return self.config.texts


def draft_path(folder: Path) -> Path:
    """Where the answers are kept until the setup is in force: beside the folder of its files."""
    return folder.with_name(f"{folder.name}.draft.json")


def refuse_existing(folder: Path, data: Path) -> None:
    """Refused where files or data of a room are there already; they stay as they are."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(f"{folder} is there already and stays as it is; name another with --config DIR.")
    if data.exists() and (not data.is_dir() or any(data.iterdir())):
        raise Refused(
            f"{data} holds data already: its setup is changed with `stillroom config apply`. Name a new "
            "folder with --data DIR."
        )


def describe(draft: Draft) -> Draft:
    """The draft with what its file shows, where the room begins from one."""
    if not draft.text("from"):
        return draft
    path = Path(draft.text("from"))
    if not path.is_file():
        raise Refused(f"There is no file {path}; name another one with --from FILE.")
    described = Draft(draft.values, description_of(path.name, path))
    if not described.channels and not any(c.unit is None for c in described.described.columns):  # type: ignore[union-attr]
        raise Refused(f"{path.name}: no column is a temperature, a humidity or a pressure.")
    return described


def plan(draft: Draft, now_ns: int) -> Plan:
    """Check everything, and write nothing; Refused with the question, ConfigError with all faults."""
    zone = draft.text("timezone") or "UTC"
    try:
        today = datetime.fromtimestamp(now_ns // NS, ZoneInfo(zone)).date()
    except (ValueError, LookupError, OSError):
        raise Refused(f"Question 1, The room: there is no time zone “{zone}”.") from None
    config = load_texts(texts_of(draft, today))
    if draft.described is not None:
        path = Path(draft.text("from"))
        checked(
            path.name, content_of(path), profile_of(draft, draft.described), config.setup, now_ns, frozenset()
        )
    return Plan(config, tuple(_named(note, config.setup) for note in warnings(config)))


def _named(note: str, setup: Setup) -> str:
    """A note with rules, channels and zones by their names: whoever begins has seen no key yet."""
    note = re.sub(r" \(`\w+`\)", "", note)  # where in the files it is set
    for key, name in {**setup.rule_names, **{c: channel_words(c) for c in setup.channels}}.items():
        note = re.sub(rf"(?<![\w.-]){re.escape(key)}(?![\w-])", name.replace("\\", r"\\"), note)
    for zone in setup.zones.values():
        note = note.replace(f"zone {zone.key} ", f"zone {zone.name} ")
    return note


def preview(draft: Draft, now_ns: int) -> Setup | None:
    """The setup if all that is still open were answered as proposed; None: it is too early to say."""
    for question in QUESTIONS:
        for field in question.fields(draft):
            if not draft.text(field.key):
                draft = draft.with_values({field.key: field.value or ("" if field.empty else "–")})
    try:
        return plan(draft, now_ns).config.setup
    except StillroomError:
        return None


def put_in_force(draft: Draft, folder: Path, data: Path, now_ns: int) -> ImportResult | None:
    """Write the files, make the data folder with them as version 1, and import the file; one person's act.

    What an import brought; None where the room begins with a live probe.
    """
    refuse_existing(folder, data)
    prepared = plan(draft, now_ns)
    for name, text in prepared.texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    who = draft.text("custodian")
    result = None
    with Store.open(data, create=True) as store:
        apply_setup(store, prepared.texts, who, "first setup, by one person", who, now_ns)
        if draft.described is not None:
            path, how = Path(draft.text("from")), profile_of(draft, draft.described)
            result = import_file(path, how, store, load_texts(prepared.texts, version=1).setup, who, now_ns)
    draft_path(folder).unlink(missing_ok=True)
    return result
