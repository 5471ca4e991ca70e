"""Forms of what entries of the journal say, by kind; `JournalEntry.read` gives an entry in one of them.

Instants are RFC 3339 in UTC, or ns since 1970 where the key says so. Keys that entries of earlier versions
do not have are marked as not required. What a damaged journal may say instead, `store/verify` looks at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NotRequired, TypedDict

from .words import Verdict


class EntryForm(TypedDict):
    """What an entry of any kind may say: by which interface and account an act came, where that is known."""

    through: NotRequired[Mapping[str, str]]


class ZoneEntry(EntryForm):
    """Kinds `work-stopped` and `work-resumed`."""

    zone: str


CaseRun = TypedDict("CaseRun", {"rule": str, "from": str, "to": str})
CaseRun.__doc__ = """A run of one rule in a case."""

_CaseInterval = TypedDict("_CaseInterval", {"from": NotRequired[str], "to": NotRequired[str]})


class CaseEntry(EntryForm, _CaseInterval):
    """Kind `case`; which keys there are follows from the act."""

    case: int
    act: str
    zone: str
    zones: NotRequired[Sequence[str]]
    runs: NotRequired[Sequence[CaseRun]]  # opened, revised, closed
    texts: NotRequired[Mapping[str, str]]  # note, closed
    changed: NotRequired[str]  # revised
    revision: NotRequired[int]
    reopened: NotRequired[str]  # revised, note
    inspection: NotRequired[str]  # decision
    verdict: NotRequired[str]
    decision: NotRequired[str]
    customer: NotRequired[str]
    to_case: NotRequired[int]  # joined
    at: NotRequired[str]  # parted in two


SpanForm = TypedDict("SpanForm", {"of": str, "zone": str, "what": str, "from": str, "to": str})
SpanForm.__doc__ = """What was decided on before there were cases: an excursion, a probe, a certificate …"""


class DispositionEntry(EntryForm):
    """Kinds `disposition-excursion` and `disposition-inspection`."""

    about: SpanForm
    findings: NotRequired[Mapping[str, str]]
    closed: NotRequired[bool]
    inspection: NotRequired[str]
    decision: NotRequired[str]
    customer: NotRequired[str]


AlarmEntry = TypedDict(
    "AlarmEntry",
    {
        "through": NotRequired[Mapping[str, str]],
        "alarm": str,
        "occurrence": NotRequired[int],
        "was": NotRequired[str],
        "is": NotRequired[str],
        "act": NotRequired[str],
        "until": NotRequired[str],  # shelved
    },
)
AlarmEntry.__doc__ = """Kind `alarm`: a transition, an act of a person, or both."""

MarkEntry = TypedDict(
    "MarkEntry",
    {"through": NotRequired[Mapping[str, str]], "mark": int, "zone": str, "from": str, "to": str},
)
MarkEntry.__doc__ = """Kind `mark`."""


class InspectionEntry(EntryForm):
    """Kind `inspection`; beside these the fields of the inspection itself."""

    inspection: str
    act: str


class RevisionEntry(EntryForm):
    """Kind `verdict-issue`: a revision of the verdict of an inspection."""

    inspection: str
    issue: int
    verdict: Verdict
    reason: str
    digest: str
    difference: str
    other_verdict: bool
    because: NotRequired[str]
    provisional: NotRequired[bool]
    cause: NotRequired[str]
    setup: NotRequired[str]
    way: NotRequired[str]


class SetupEntry(EntryForm):
    """Kinds `setup`, `setup-proposed` and `setup-approved`."""

    version: int
    at_ns: int
    digest: str
    approver: NotRequired[str]  # setup
    base: NotRequired[int]  # setup-proposed
    correction: NotRequired[bool]  # setup-proposed, setup-approved
    author: NotRequired[str]  # setup-approved
    reason: NotRequired[str]


class ImportEntry(EntryForm):
    """Kind `import`: an original that was stored."""

    sha256: str
    name: str
    at_ns: int
    original: str
    summary: Mapping[str, object]


class RecordEntry(EntryForm):
    """Kind `record`: an issue of a record; beside these its interval and the digests of its files."""

    record: int
    zone: str
    files: Mapping[str, str]


class KeyEntry(EntryForm):
    """Kind `signing-key`; `signed_by_old`: the signature of the key before, in hex."""

    act: str
    key: str
    public: str
    signed_by_old: NotRequired[str]


class ReviewedZone(TypedDict):
    """A zone that was shown at a review."""

    zone: str


class ReviewedContent(TypedDict):
    """What was shown at a review."""

    zones: Sequence[ReviewedZone]


class ReviewEntry(EntryForm):
    """Kind `review`; `signature`: number of the entry of the signature, None where a name was given."""

    cadence: str
    review: str
    digest: str
    from_ns: int
    to_ns: int
    shown: ReviewedContent
    signature: int | None


class SoakEntry(EntryForm):
    """Kind `soak-begun`."""

    zone: str
    name: str
    at: str
    tau_s: float
    from_C: float
    residual_K: float
    how: str


class SoakEndEntry(EntryForm):
    """Kind `soak-ended`."""

    clock: int
    name: str


class CampaignPositionForm(TypedDict):
    """A position of a campaign."""

    name: str
    x_m: float
    y_m: float
    z_m: float
    channel: str
    medium: str


CampaignEntry = TypedDict(
    "CampaignEntry",
    {
        "through": NotRequired[Mapping[str, str]],
        "campaign": str,
        "act": str,
        "zone": NotRequired[str],
        "name": NotRequired[str],
        "positions": NotRequired[Sequence[CampaignPositionForm]],
        "phase": NotRequired[str],
        "from": NotRequired[str],
        "to": NotRequired[str | None],
        "entry": NotRequired[int],
        "closure": NotRequired[str],
        "answers": NotRequired[Mapping[str, str]],
    },
)
CampaignEntry.__doc__ = """Kind `campaign`; which keys there are follows from the act."""


class StudyReportEntry(EntryForm):
    """Kind `study-report`: digests of its files, and of the answer to each question."""

    report: int
    zone: str
    at: str
    files: Mapping[str, str]
    answers: Mapping[str, str]


class LabelsEntry(EntryForm):
    """Kind `labels`: probe -> the due day that was printed."""

    at: str
    due: Mapping[str, str]


class ClockDoubtEntry(EntryForm):
    """Kind `clock-unsure`: stamps of this boot are unsure, from `monotonic_ns` on where it is known."""

    boot: str
    base_ns: int
    monotonic_ns: NotRequired[int]


class BackupReadEntry(EntryForm):
    """Kind `backup-scrubbed`: a part of the backups was read again."""

    folder: str
    part: int
    of: int
    files: int
    bytes: int
    intact: bool
    faults: Sequence[str]


class SelfTestEntry(EntryForm):
    """Kind `selftest`."""

    version: NotRequired[str]
    cases: NotRequired[int]
    passed: NotRequired[bool]
