"""Everything that stillroom raises on purpose.

    StillroomError                 carries the sentence that a person reads
    ├── Refused                    bad input; the command line exits with 2
    │   ├── ConfigError            one or more faults in config/, all of them at once
    │   ├── CertificateRefused     a file that is no readable calibration certificate
    │   ├── ImportRefused          a file that cannot be imported without an answer
    │   ├── UnknownName            a room, zone, probe or rule that is not in the setup
    │   ├── IntervalError          an interval that is empty, in the future or before the record
    │   └── UnitError              a unit that is unknown or does not fit the quantity
    ├── StoreError                 the data folder cannot be used as it is
    │   ├── StoreInUse             another service holds the folder
    │   ├── ArchiveAway            the place of sealed files does not answer, or refuses this account
    │   ├── StoreGone              its folder was deleted, unmounted or replaced while it was open
    │   │   └── StoreTaken         another process took the record over meanwhile
    │   ├── StoreUnanswered        a commit was sent to a server and not answered
    │   └── StoreDamaged           the file does not read back as it was written
    └── ProbeError                 a failed transaction with a probe; the bus loop stores it as a row

A message names the thing, what was expected, what was found and where to mend it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


class StillroomError(Exception):
    """Base of all our errors; its text is a whole sentence for a person."""


class Refused(StillroomError):
    """Input that cannot be used. Nothing was changed."""


def sentence_of(error: BaseException) -> str:
    """What an error says to people; the name of its class only where nobody foresaw it.

    >>> sentence_of(StoreDamaged("The setup in force cannot be read."))
    'The setup in force cannot be read.'
    >>> sentence_of(FileNotFoundError(2, "No such file or directory", "/mnt/share/a.parquet"))
    '/mnt/share/a.parquet: No such file or directory'
    >>> sentence_of(TimeoutError("mail server plant:25 did not end within 30 s"))
    'mail server plant:25 did not end within 30 s'
    >>> sentence_of(KeyError("unit"))
    "KeyError: 'unit'"
    """
    if isinstance(error, StillroomError):
        return str(error)
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    if isinstance(error, OSError) and str(error):
        return str(error)
    return f"{type(error).__name__}: {error}"


# Numbered or named as they come, in no setup.
IN_SETUP = ("alarm", "certificate", "channel", "position", "probe", "route", "rule", "zone")
MOST_NAMES = 40


class UnknownName(Refused):
    """A name that is not in the setup, or of something else that is not there, or a number not given yet.

    >>> str(UnknownName("zone", "bay", ["machine-bay", "plate-bench"]))
    "There is no zone 'bay'. The setup has: machine-bay, plate-bench."
    >>> str(UnknownName("case", "99", map(str, range(1, 39))))
    'There is no case 99. There are: 1 to 38.'
    >>> str(UnknownName("campaign", "winter", []))
    "There is no campaign 'winter', and no other."
    """

    def __init__(self, kind: str, name: str, names: Iterable[str]) -> None:
        self.kind = kind
        in_setup = kind.partition(" ")[0] in IN_SETUP
        shown = name if not in_setup and str(name).isdigit() else repr(name)
        others = _listed(set(names))
        rest = f". {'The setup has' if in_setup else 'There are'}: {others}." if others else ", and no other."
        super().__init__(f"There is no {kind} {shown}{rest}")


def _listed(names: set[str]) -> str:
    """Names in order, not more than a person reads; numbers as runs.

    >>> _listed({"1", "2", "3", "10", "12"}), _listed(set())
    ('1 to 3, 10, 12', '')
    """
    if names and all(name.isdigit() for name in names):
        numbers = sorted(map(int, names))
        begins = [n for n in numbers if n - 1 not in numbers]
        ends = [n for n in numbers if n + 1 not in numbers]
        ordered = [f"{a} to {b}" if b > a else f"{a}" for a, b in zip(begins, ends, strict=True)]
    else:
        ordered = sorted(names)
    more = len(ordered) - MOST_NAMES
    return ", ".join(ordered[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


class IntervalError(Refused):
    """An interval that cannot be judged."""


class UnitError(Refused):
    """A unit that is unknown or does not belong to the quantity."""


class ImportRefused(Refused):
    """A file that was not imported at all, with the open question.

    `bad_line`: number of the one line that cannot be read, where the others could be imported without it.
    """

    def __init__(self, sentence: str, bad_line: int | None = None) -> None:
        self.bad_line = bad_line
        super().__init__(sentence)


class CertificateRefused(Refused):
    """A certificate that cannot be read; only its bytes were read.

    >>> str(CertificateRefused("A.xml", "a certificate", "a picture"))
    'A.xml: expected a certificate, found a picture'
    """

    def __init__(self, file: str, expected: str, found: str) -> None:
        self.file, self.expected, self.found = file, expected, found
        super().__init__(f"{file}: expected {expected}, found {found}")


@dataclass(frozen=True)
class Fault:
    """One fault of a configuration file: where it stands, what was expected, what was found."""

    file: str
    table: str
    key: str
    expected: str
    found: str

    def __str__(self) -> str:
        return f"{self.place}: expected {self.expected}, found {self.found}"

    @property
    def place(self) -> str:
        """File, table and key, as far as they are known."""
        table = f"[{self.table}]" if self.table else ""
        return " ".join(part for part in (self.file, table, self.key) if part)


class ConfigError(Refused):
    """All faults of all configuration files together."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        head = f"The configuration has {count} error{'s' if count != 1 else ''}. Nothing was changed."
        super().__init__("\n".join([head, *(f"  {fault}" for fault in self.faults)]))


class StoreError(StillroomError):
    """The data folder cannot be used as it is."""


class StoreInUse(StoreError):
    """Another service holds the data folder."""


class StoreGone(StoreError):
    """The record is not where it was opened: deleted, unmounted, replaced."""


class StoreTaken(StoreGone):
    """Another process took the record over, or moved it: this one writes nothing more, and ends."""


class ArchiveAway(StoreError):
    """The place of the sealed files does not answer, or refuses this account."""


class StoreUnanswered(StoreError):
    """The connection broke before a commit was answered.

    `entry`: number and SHA-256 of the journal entry that says whether it stands; None where it wrote none.
    """

    def __init__(self, sentence: str, entry: tuple[int, str] | None) -> None:
        self.entry = entry
        super().__init__(sentence)


class StoreDamaged(StoreError):
    """Stored bytes do not read back as they were written."""


class ProbeError(StillroomError):
    """A transaction with a probe failed; the bus loop turns it into a stored row."""


def you_entered(text: str) -> str:
    """What a refusal of an entry ends with; nothing for an empty field.

    >>> "Lower limit: enter a number." + you_entered("x"), you_entered("  ")
    ('Lower limit: enter a number. You entered “x”.', '')
    """
    return f" You entered “{text}”." if text.strip() else ""


class SeparateErrors:
    """Errors of parts of one work of which none may hold up the others; by the name of the part.

    >>> errors = SeparateErrors()
    >>> for zone in ("bay", "bench"):
    ...     with errors.of(zone):
    ...         {"bench": 20.0}[zone]
    20.0
    >>> errors.raise_first()
    Traceback (most recent call last):
    KeyError: 'bay'
    """

    def __init__(self) -> None:
        self.by_name: dict[str, Exception] = {}

    @contextmanager
    def of(self, name: str) -> Iterator[None]:
        """Whatever goes wrong within the block is noted under this name; a record that is gone ends all."""
        try:
            yield
        except StoreGone:
            raise
        except Exception as error:  # noqa: BLE001 (raised by `raise_first`, after the other parts)
            self.by_name[name] = error

    def raise_first(self) -> None:
        """After the other parts: the first error there was."""
        for error in self.by_name.values():
            raise error
