"""A room in some hundred bytes, signed by its record: what an overview of many rooms is made of.

`summary.json` in a data folder is renewed by the service once a minute, once `stillroom rooms add` has
written the first one. It holds states and no inspection, part or customer. It is signed over the text of
`body`, so that a copy, a share or a relay cannot say anything for a room; it says until when it holds.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..acts.alarms import alarm_list
from ..core.alarms.lifecycle import ACKNOWLEDGED, AlarmState
from ..core.calibration.status import status
from ..core.judge.statement import read_statements
from ..instants import NS, wall
from ..record.signatures import Key, is_signature_of, key_name, signing_key
from .registry import replace_file

if TYPE_CHECKING:
    from ..model import Setup
    from ..store import Store

FILE = "summary.json"
EVERY_S = 60.0
HOLDS_NS = 180 * NS  # so long a summary may be relied on
DUE_DAYS = 90
LARGEST_BYTES = 1 << 20
_QUIET = (AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


class SummaryFault(Exception):
    """Why a summary cannot be relied on, in words."""


@dataclass(frozen=True)
class Summary:
    """A summary whose signature is good. `key_name` names the key that signed it; `body` is what it says."""

    key_name: str
    body: Mapping[str, Any]

    @property
    def at_ns(self) -> int:
        """When it was made, by the clock of the room."""
        return int(self.body["at_ns"])

    @property
    def until_ns(self) -> int:
        """Until when it may be relied on."""
        return int(self.body["until_ns"])

    @property
    def head(self) -> tuple[int, str]:
        """Number and digest of the newest entry of the journal."""
        number, digest = self.body["head"]
        return int(number), str(digest)


def summarise(store: Store, setup: Setup, now_ns: int, begun_ns: int | None = None) -> dict[str, Any]:
    """What a room says of itself: zones, alarms, silent probes, what comes due, the head of its journal.

    begun_ns: since when a service that has just started judges what came before, for zones without a verdict.
    """
    room, alarms = setup.room, [a for a in alarm_list(store) if a.state not in _QUIET]
    live = read_statements(store.verdict_cache.live())
    begun = "" if begun_ns is None else wall(begun_ns, ZoneInfo(room.timezone))[11:]
    return {
        "room": room.key,
        "record": store.key,
        "simulated": store.simulated,
        "name": room.name,
        "site": room.site,
        "custodian": room.custodian,
        "timezone": room.timezone,
        "at_ns": now_ns,
        "until_ns": now_ns + HOLDS_NS,
        "zones": [
            _zone(zone.key, zone.name, live.get(zone.key), now_ns, begun) for zone in setup.zones_now()
        ],
        "alarms": {"active": len(alarms), "waiting": sum(a.state in ACKNOWLEDGED for a in alarms)},
        "silent_probes": _silent(store, setup, now_ns),
        "due": _due(setup, now_ns),
        "newest_reading_ns": store.readings.newest_ns(),
        "head": list(store.journal.head()),
        "setup": setup.version,
        "software": version("stillroom"),
    }


def signed(body: Mapping[str, Any], key: Key) -> bytes:
    """A summary as a file: its text, the signature over that text in UTF-8, and the public key."""
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
    whole = {"body": text, "signature": key.sign(text.encode()).hex(), "key": key.public}
    return json.dumps(whole, ensure_ascii=False).encode()


def opened(content: bytes) -> Summary:
    """A summary from its file, its signature checked; SummaryFault where it is none or was changed."""
    try:
        whole = json.loads(content)
        text, public = str(whole["body"]), str(whole["key"])
        good = is_signature_of(public, text.encode(), bytes.fromhex(whole["signature"]))
        name = key_name(public)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise SummaryFault("its summary is no whole one") from error
    if not good or name is None:
        raise SummaryFault("its summary was changed after it was signed")
    try:
        summary = Summary(name, json.loads(text))
        _ = summary.at_ns, summary.until_ns, summary.head, [z["verdict"] for z in summary.body["zones"]]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise SummaryFault("its summary is of another version of the program") from error
    return summary


def write_summary(
    store: Store, setup: Setup, now_ns: int, key: Key | None = None, *, begun_ns: int | None = None
) -> Summary:
    """Replace the summary of a data folder; gives what was written."""
    key = key or signing_key(store, "stillroom")
    body = summarise(store, setup, now_ns, begun_ns)
    replace_file(store.folder / FILE, signed(body, key))
    return Summary(key.name, body)


def is_kept(folder: Path) -> bool:
    """Whether this room belongs to a group, so that its service renews the summary."""
    return (folder / FILE).exists()


def _zone(
    key: str, name: str, statement: Mapping[str, Any] | None, now_ns: int, begun: str
) -> dict[str, Any]:
    """The newest statement of a zone, without its rules; not shown where it is none, or too old to trust."""
    if statement is None or now_ns - _at_ns(statement) > HOLDS_NS:
        nothing = {"verdict": "not shown", "reason": "indeterminate", "since": None, "at": None}
        sentence = f"{name}: not shown."
        return {
            "zone": key,
            "name": name,
            **nothing,
            "sentence": sentence,
            "next_step": _no_verdict(statement, begun),
        }
    copied = ("verdict", "reason", "since", "at", "sentence")
    return {
        "zone": key,
        "name": name,
        **{k: statement[k] for k in copied},
        "next_step": statement.get("next_step", ""),
    }


def _no_verdict(statement: Mapping[str, Any] | None, begun: str) -> str:
    if begun:
        return f"Being judged since {begun}."
    return (
        "No verdict yet."
        if statement is None
        else f"No verdict since {statement['at']}: look at the service."
    )


def _at_ns(statement: Mapping[str, Any]) -> int:
    return round(datetime.fromisoformat(statement["at"]).timestamp()) * NS


def _silent(store: Store, setup: Setup, now_ns: int) -> list[str]:
    """Probes of which no channel has a value that is young enough."""
    newest = store.readings.newest_taken(ok=True)
    heard = {
        channel.probe
        for channel in setup.channels.values()
        if channel.key in newest and now_ns - newest[channel.key] <= channel.max_age_s * NS
    }
    used = {channel.probe for channel in setup.channels.values()}
    return sorted(used - heard)


def _due(setup: Setup, now_ns: int) -> list[dict[str, str]]:
    """Certificates that are overdue or come due within 90 days, the first to come first."""
    due: dict[str, tuple[date, str, str]] = {}
    for channel in setup.channels:
        now = status(setup, channel, now_ns)
        if now.certificate is None or now.due is None or (now.days_left or 0) > DUE_DAYS:
            continue
        due[now.certificate.number] = (now.due, setup.channels[channel].probe, now.status)
    rows = sorted((day, number, probe, state) for number, (day, probe, state) in due.items())
    return [{"certificate": n, "probe": p, "due": d.isoformat(), "status": s} for d, n, p, s in rows]
