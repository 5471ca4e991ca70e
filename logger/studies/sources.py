"""What a question reads of the record, each thing once, and what a question is."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ..core.study.channel_record import ChannelRecord, warmest_hour
from ..core.study.figure import Answer, Question
from ..errors import Refused
from ..instants import NS, parse, wall_span
from ..model import Setup
from ..verdicts.verdicts import Verdicts
from .records import RecordUsed, read_channel, read_channels, zone_channels, zone_of_channel
from .study import StudyRequest

Progress = Callable[[str], None]
MOST_LENGTH_MM = 1e6  # 1 km: nothing longer is measured in a room
LEAST_SWING_K, WARM_HOURS = 1.0, (10.0, 20.0)  # of outdoors over the day; common practice, no source


@dataclass
class Sources:
    """What a study reads, each thing once; every number read goes into the digest.

    remarks: what was used; doubts: what may be wrong with it, which stands beside the answer.
    progress: called with what is being done, for work that takes longer than a moment.
    """

    verdicts: Verdicts
    request: StudyRequest
    now_ns: int
    progress: Progress
    read: dict[str, RecordUsed] = field(default_factory=dict)
    arrays: list[np.ndarray[Any, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)

    def record(self, channel: str, from_ns: int | None = None, to_ns: int | None = None) -> RecordUsed:
        """The record of a channel over the study's interval, or another one."""
        r = self.request
        begin, end = r.from_ns if from_ns is None else from_ns, r.to_ns if to_ns is None else to_ns
        name = f"{channel} {begin} {end}"
        if name not in self.read:
            self.progress(f"reading {channel}")
            used = read_channel(self.verdicts, channel, begin, end, self.now_ns)
            self.read[name] = used
            self.arrays.append(used.record.value)
            self.remarks.append(used.remark())
        return self.read[name]

    def read_together(self, channels: Sequence[str], from_ns: int, to_ns: int) -> None:
        """Read several channels at once, which is much quicker than one after the other."""
        self.progress(f"reading {len(channels)} channels")
        unread = [key for key in channels if f"{key} {from_ns} {to_ns}" not in self.read]
        for key, used in read_channels(self.verdicts, unread, from_ns, to_ns, self.now_ns).items():
            self.read[f"{key} {from_ns} {to_ns}"] = used
            self.arrays.append(used.record.value)
            self.remarks.append(used.remark())

    def instants(self, option: str, name: str, *, none: bool = False, beyond: bool = False) -> list[float]:
        """Instants of an option inside the interval, in UTC seconds, ascending.

        Refused where one cannot be read; where none is there (unless `none`); where all lie outside the
        interval (unless `beyond`).
        """
        zone = ZoneInfo(self.verdicts.setup.room.timezone)
        texts = _words(self.request.options.get(option))
        if not texts and not none:
            raise Refused(
                f"{name}: enter one or more times, for example 2026-10-19T10:30. Nothing was computed."
            )
        instants = sorted(parse(text, zone, name) / NS for text in texts)
        begin, end = self.request.from_ns / NS, self.request.to_ns / NS
        outside = sum(not begin <= at < end for at in instants)
        if outside and outside == len(instants) and not beyond:
            which = "the time lies" if outside == 1 else f"all {outside} times lie"
            span = wall_span(self.request.from_ns, self.request.to_ns, zone)
            raise Refused(f"{name}: {which} outside the interval, {span}. Nothing was computed.")
        if outside:
            self.doubts.append(
                f"{name}: {outside} of {len(instants)} times lie outside the interval and do not count."
            )
        return [at for at in instants if begin <= at < end]

    def span(self, option: str, name: str) -> tuple[int, int] | None:
        """An interval of an option, "START/END", in ns; None where it is left out;
        Refused where it is none.
        """
        value = self.request.options.get(option)
        if not value:
            return None
        zone = ZoneInfo(self.verdicts.setup.room.timezone)
        start, slash, end = str(value).partition("/")
        ends = (parse(start.strip(), zone, name), parse(end.strip(), zone, name)) if slash else (1, 0)
        if ends[0] >= ends[1]:
            raise Refused(
                f"{name}: expected START/END as 2026-10-19T08:00/2026-10-19T10:00, found {value!r}."
            )
        return ends

    def presence(self, option: str, name: str, like: ChannelRecord) -> ChannelRecord | None:
        """Share of each cell in which people were present, from intervals START/END; None without any.

        Refused where an interval cannot be read or is empty.
        """
        zone = ZoneInfo(self.verdicts.setup.room.timezone)
        spans = []
        for word in _words(self.request.options.get(option)):
            start, slash, end = word.partition("/")
            ends = (parse(start, zone, name), parse(end, zone, name)) if slash else (1, 0)
            if ends[0] >= ends[1]:
                raise Refused(
                    f"{name}: expected START/END as 2026-10-19T08:00/2026-10-19T12:00, found {word!r}."
                )
            spans.append(ends)
        if not spans:
            return None
        edges = like.start_s + np.arange(len(like) + 1) * like.step_s
        covered = np.zeros(len(edges))
        for from_ns, to_ns in spans:
            covered += np.clip(edges, from_ns / NS, to_ns / NS) - from_ns / NS
        self.arrays.append(np.diff(covered))
        return like.with_values(np.minimum(np.diff(covered) / like.step_s, 1.0))

    def channels(self, option: str, name: str, *, none: bool = False) -> list[str]:
        """Channels of an option; Refused where there is none,
        UnknownName for one that is not in the setup.
        """
        keys = _words(self.request.options.get(option))
        if not keys and not none:
            raise Refused(f"{name}: name one or more channels, for example P1.temperature.")
        for key in keys:
            zone_of_channel(self.verdicts.setup, key)
        return list(dict.fromkeys(keys))

    def zone_channels(self) -> list[str]:
        """Temperature channels in the air of the zone that have readings."""
        setup, stored = self.verdicts.setup, set(self.verdicts.store.readings.channels())
        return [
            key
            for key in zone_channels(setup, self.request.zone)
            if key in stored and medium_of(setup, key) == "air"
        ]

    def limits(self) -> tuple[float, float] | None:
        """Limits of the air temperature in force at the end of the study; None where there is no band."""
        for rule in self.verdicts.setup.rules_of(self.request.zone):
            band = rule.kind == "limit" and rule.quantity == "temperature" and "air" in rule.media
            if (
                band
                and rule.holds(self.request.to_ns - 1)
                and rule.lower is not None
                and rule.upper is not None
            ):
                return rule.lower, rule.upper
        return None

    def outdoors(self) -> ChannelRecord | None:
        """The record of the outdoor channel: the one that is named, else the first with that medium, or None.

        It reaches four days further back than the study, so that a lag finds what it needs.
        """
        setup, named = self.verdicts.setup, self.request.options.get("outdoors")
        stored = set(self.verdicts.store.readings.channels())
        if named and zone_of_channel(setup, str(named)) and str(named) == self.request.channel:
            raise Refused(
                f"--outdoors: {named} is the channel of the question. Name a probe that stands outdoors."
            )
        if named and setup.channels[str(named)].quantity != "temperature":
            raise Refused(f"--outdoors: {named} is no temperature. Name a probe of outdoor temperature.")
        keys = [str(named)] if named else [
            key
            for key in setup.channels
            if setup.channels[key].quantity == "temperature"
            and medium_of(setup, key) == "outdoor"
            and key in stored
        ]  # fmt: skip
        if not keys:
            return None
        record = self.record(keys[0], self.request.from_ns - 4 * 86_400 * NS).record
        self._doubt_clock(record)
        return record

    def _doubt_clock(self, outdoors: ChannelRecord) -> None:
        """A sentence where outdoors is warmest at an hour at which it is nowhere: a clock of another zone."""
        hour, amplitude = warmest_hour(outdoors)
        if amplitude >= LEAST_SWING_K and not WARM_HOURS[0] <= hour <= WARM_HOURS[1]:
            self.doubts.append(
                f"{outdoors.channel} is warmest at {int(hour):02d}:{int(hour % 1 * 60):02d} by the room's "
                "clock: was its logger set to another zone of time? Correct the zone of its import, then "
                "compute again."
            )

    def length_words(self) -> str:
        """The declared length as people say it: "1000 mm of steel"."""
        options = self.request.options
        length = f"{float(options.get('length_mm') or 0):g} mm of {options.get('material', 'steel')}"
        return f"{length} against {options['scale']}" if options.get("scale") else length

    def um_per_K(self) -> float | None:
        """Change of the declared length in µm per K; None where no length is declared."""
        from ..core.physics.expansion import material_of

        options = self.request.options
        length_mm = options.get("length_mm")
        if length_mm is None:
            return None
        if not 0 < float(length_mm) <= MOST_LENGTH_MM:
            raise Refused(
                f"--length-mm: expected a number above 0 and up to {MOST_LENGTH_MM:.0f}, found {length_mm:g}."
            )
        alpha = material_of(str(options.get("material", "steel"))).alpha_per_K
        scale = options.get("scale")
        alpha = abs(alpha - material_of(str(scale)).alpha_per_K) if scale else alpha
        return float(length_mm) * 1000 * alpha


# A day and a time may be parted by a blank; everything else is parted by blanks, commas and semicolons.
_WORD = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}[^\s,;]*|[^\s,;]+")


def _words(value: Any) -> list[str]:
    """Words of an option that is a list or one text.

    >>> _words("2026-10-19 10:30, 2026-10-20T08:15+02:00; P1.temperature")
    ['2026-10-19 10:30', '2026-10-20T08:15+02:00', 'P1.temperature']
    """
    if value is None:
        return []
    return _WORD.findall(" ".join(map(str, value)) if isinstance(value, list | tuple) else str(value))


def medium_of(setup: Setup, channel: str) -> str:
    """The medium in which the probe of a channel stood last; "" where it stood nowhere."""
    for stay in reversed(setup.placements_of(channel)):
        if stay.position in setup.positions:
            return setup.positions[stay.position].medium
    return ""


@dataclass(frozen=True)
class StudyField:
    """An option that a person fills in: its name, the option of the command, its label,
    what it says at first.
    """

    name: str
    option: str
    label: str
    first: str = ""


@dataclass(frozen=True)
class QuestionKind:
    """A question as people read it, what it needs of the record, and what answers it.

    run: reads everything through the sources and gives what computes the answer. fields: options that a
    person must fill in, with their labels.
    """

    key: Question
    title: str
    needs: str
    run: Callable[[Sources], Callable[[], Answer]]
    of_one_channel: bool = True
    fields: tuple[StudyField, ...] = ()
