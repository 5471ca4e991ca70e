"""Writing a package: everything an assessor asks for, in open formats, under one list of digests.

data/index.html            opens in any browser without a server
data/HOW-TO-VERIFY.txt     with sha256sum and openssl alone
data/records/<number>/     issued records of the interval, as they were issued
data/readings/<zone>/      readings as CSV and Parquet, as they came and corrected
data/setup/                every version of the setup: plan, probes, limits with basis, certificates
data/originals/            imported files, bit for bit
data/summary.json          by zone: time by verdict each month, worst days, excursions, reviews
data/validation.txt, .json, .pdf   the self-test of the program that wrote it, run while it was written
data/cases.json, cases/    cases of the interval with every decision; a sheet of each as PDF
data/inspections.json      with verdicts, decisions, people and roles
data/register.json, keys.json, journal.jsonl, restore.json, head.txt
manifest-sha256.txt.sig    signature of the list by the record's key, signing-key.pem
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import __version__
from ..core.calibration.status import register
from ..errors import IntervalError, Refused
from ..inspections.cases import cases_in
from ..instants import rfc3339
from ..model import Setup, TemperatureUnit
from ..record.act_times import ActInterval, ActTimes
from ..record.case_facts import facts_of_each
from ..record.case_sheet import case_sheet
from ..record.export import setup_files
from ..record.issues import issues
from ..record.names import Names
from ..record.proven_facts import days_around, gather_proven
from ..record.readings import column_description, columns_of
from ..record.reviews import reviews
from ..record.signatures import head_text, public_keys, signing_key
from ..record.zone_readings import read_zone, record_csv
from ..selftest import report_files, selftest
from ..store.backup.folder import copy_file, plain_target_errors, write_file
from ..store.files import sha256_of
from ..store.hot.journal import canonical
from .inspections import inspection_facts
from .page import index
from .summary import summary

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

# Acts that set something up belong to every interval.
ALWAYS = ("store", "setup", "setup-proposed", "setup-approved", "setup-refused", "signing-key", "import")
MANIFEST = "manifest-sha256.txt"
TAGS = "tagmanifest-sha256.txt"
SIGNATURE, KEY = f"{MANIFEST}.sig", "signing-key.pem"
HOW_TO = """How to verify this package{simulated}

No program of ours is needed. In the folder that holds bagit.txt:

    sha256sum -c manifest-sha256.txt
    sha256sum -c tagmanifest-sha256.txt
    openssl pkeyutl -verify -pubin -inkey signing-key.pem -rawin -in manifest-sha256.txt \\
        -sigfile manifest-sha256.txt.sig

The first names every file that was changed; the last says whether the list is the one that was signed by
the record whose public key is signing-key.pem (all its keys, with who made them, are in data/keys.json).
Compare that key with one that you were given by another way. `bagit.py --validate .` (RFC 8493) and
`stillroom verify .` do the same and more. Issued records carry lists and signatures of their own.

data/head.txt has the head of the chain of the whole record: kept by you, it proves later that nothing of
what stood before it was changed: stillroom verify --head NUMBER:SHA256.

Acts are chosen by the time that they are about: a decision of June on an inspection of March is in the
package of March. In journal.jsonl `at_ns` is when an act was done, `about` the interval that it speaks of.

In the files of data/ `proven` beside a name says whether an account proved who acted (true), or whether only
a name was given (false); null: the program or one of its folders acted. Entries of the journal name the
accounts under "through".

Columns of the readings:
{columns}
"""


@dataclass(frozen=True)
class PackedFiles:
    """What was written: folder or zip file, number and bytes of payload files, SHA-256 of the manifest.

    altered: stored verdicts that somebody had edited; the package was made without them.
    """

    path: Path
    files: int
    size_bytes: int
    manifest_sha256: str
    altered: tuple[str, ...] = ()


def pack(  # noqa: PLR0917 (what, when, where to, who: each is asked for by its place)
    store: Store,
    verdicts: Verdicts,
    span: tuple[int, int],
    out: Path,
    who: str,
    now_ns: int,
    *,
    zipped: bool = False,
    temperatures: TemperatureUnit = "degC",
) -> PackedFiles:
    """Write the package of [from, to) = `span`; journalled as kind `package`. Refused where `out` stands.

    What it rests on is judged anew for it, in every zone: no stored verdict is believed.
    temperatures: of its first page and of the sheets of cases.
    """
    import bagit

    archive = out.with_name(f"{out.name}.zip")
    for path in (out, archive) if zipped else (out,):
        if path.exists():
            raise Refused(f"{path} is there already; nothing was written. Name another one with --out.")
    _refuse_outside(store, span)
    key = signing_key(store, who)

    def gather() -> tuple[dict[str, Any], dict[str, bytes]]:
        texts = dict(_texts(store, verdicts, span, now_ns, temperatures))
        return summary(store, verdicts, span, now_ns), texts

    around = dict.fromkeys(verdicts.setup.zones, days_around(*span))
    (contents, texts), days = gather_proven(verdicts, around, now_ns, gather)
    altered = tuple(f"zone {zone}: {day}" for zone, day in days)
    with plain_target_errors(out):
        out.mkdir(parents=True)
        parts = contents, texts, report_files(selftest(now_ns))
        _payload(store, verdicts, span, out, parts, temperatures=temperatures)
        bagit.make_bag(str(out.resolve()), _bag_info(store, verdicts.setup, span), checksums=["sha256"])
        manifest = (out / MANIFEST).read_bytes()
        write_file(out / SIGNATURE, key.sign(manifest))
        write_file(out / KEY, key.public.encode())
        _list_tags(out)
    files = [p for p in (out / "data").rglob("*") if p.is_file()]
    sha256 = hashlib.sha256(manifest).hexdigest()
    packed = PackedFiles(out, len(files), sum(p.stat().st_size for p in files), sha256, altered)
    if zipped:
        shutil.make_archive(str(out), "zip", out.parent, out.name)
        packed = replace(packed, path=archive)
    what: dict[str, Any] = {
        "from": rfc3339(span[0]),
        "to": rfc3339(span[1]),
        "manifest": sha256,
        "files": len(files),
    }
    what["key"] = key.name
    store.journal.append("package", who, what)
    return packed


def _refuse_outside(store: Store, span: tuple[int, int]) -> None:
    """Refuse an interval without readings: the package would look as if nothing had happened."""
    extent = store.readings.extent()
    if extent is None:
        raise IntervalError("There are no readings yet; nothing was written.")
    if span[1] <= extent[0] or span[0] > extent[1]:
        raise IntervalError(
            f"There are no readings from {rfc3339(span[0])} to {rfc3339(span[1])}; nothing was written. The "
            f"record begins at {rfc3339(extent[0])} and ends at {rfc3339(extent[1])}."
        )


def _list_tags(out: Path) -> None:
    """The tag manifest anew, so that it lists the signature and the key, too (RFC 8493, 2.2.1)."""
    tags = sorted(p for p in out.iterdir() if p.is_file() and p.name != TAGS)
    write_file(out / TAGS, "".join(f"{sha256_of(p)}  {p.name}\n" for p in tags).encode())


def _bag_info(store: Store, setup: Setup, span: tuple[int, int]) -> dict[str, str]:
    mark = "SIMULATED, no measured data. " if store.simulated else ""
    of = f"Record of {setup.room.name} from {rfc3339(span[0])} to {rfc3339(span[1])}"
    return {
        "Source-Organization": setup.room.site,
        "External-Description": mark + of,
        "External-Identifier": store.key,
        "Bag-Software-Agent": f"stillroom {__version__}",
    }


def _payload(
    store: Store,
    verdicts: Verdicts,
    span: tuple[int, int],
    out: Path,
    parts: tuple[dict[str, Any], dict[str, bytes], Mapping[str, bytes]],
    *,
    temperatures: TemperatureUnit,
) -> None:
    """parts: the summary, the texts, and the files of the self-test."""
    contents, texts, report = parts
    files = texts | {"summary.json": _json(contents)}
    files |= {f"setup/{name.removeprefix('setup/')}": c for name, c in setup_files(store).items()}
    files |= report
    for name, content in files.items():
        write_file(out / name, content)
    _copies(store, span, out)
    for zone in verdicts.setup.zones:
        _readings(store, verdicts.setup, zone, span, out)
    names = sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())
    write_file(out / "index.html", index(contents, names, temperatures).encode())


def _texts(
    store: Store, verdicts: Verdicts, span: tuple[int, int], now_ns: int, temperatures: TemperatureUnit
) -> Iterator[tuple[str, bytes]]:
    setup = verdicts.setup
    simulated = " (SIMULATED: no measured data)" if store.simulated else ""
    yield (
        "HOW-TO-VERIFY.txt",
        HOW_TO.format(
            simulated=simulated, columns=column_description(columns_of(simulated=store.simulated))
        ).encode(),
    )
    yield "head.txt", head_text(store, now_ns // 10**9 * 10**9)
    yield "keys.json", _json(public_keys(store))
    yield "register.json", _json([asdict(entry) for entry in register(setup, min(span[1], now_ns))])
    names, cases = Names(store), cases_in(verdicts, None, *span, now_ns)
    facts = facts_of_each(verdicts, cases, names, now_ns)
    yield "cases.json", _json(facts)
    for record in cases:
        if record.number is not None:
            sheet = case_sheet(verdicts, record, now_ns, temperatures=temperatures)
            yield f"cases/case-{record.number:06d}.pdf", sheet
    yield "inspections.json", _json(inspection_facts(verdicts, facts, span, now_ns))
    yield (
        "reviews.json",
        _json([r.to_dict() for r in reviews(store) if r.from_ns < span[1] and r.to_ns > span[0]]),
    )
    kinds = ("backup", "restore", "restore-test", "restore-test-due")
    proofs = [e for kind in kinds for e in store.journal.entries(kind=kind)]
    yield (
        "restore.json",
        _json([{**_head_of(e, names), **e.what} for e in proofs]),
    )
    times = ActTimes(store)
    acts = [(entry, times.about(entry)) for entry in store.journal.entries(without=("batch",))]
    chosen = [(e, about) for e, about in acts if e.kind in ALWAYS or about.overlaps(None, *span)]
    yield "journal.jsonl", "".join(_journal_line(entry, about) for entry, about in chosen).encode()


def _head_of(entry: Any, names: Names) -> dict[str, Any]:
    """Kind, time and name of an entry; `proven`: by an account, null where no person acted."""
    proven = names.proven(entry.who, entry.what)
    return {"kind": entry.kind, "at": rfc3339(entry.at_ns), "who": entry.who, "proven": proven}


def _journal_line(entry: Any, about: ActInterval) -> str:
    """An act with both its times: `at_ns` when it was done, `about` the interval that it speaks of."""
    facts = {name: getattr(entry, name) for name in ("number", "at_ns", "kind", "who", "why", "sha256")}
    line = {**facts, "about": about.to_dict(), "what": canonical(entry.what)}
    return json.dumps(line, ensure_ascii=False) + "\n"


def _copies(store: Store, span: tuple[int, int], out: Path) -> None:
    for issue in issues(store):
        if issue.from_ns < span[1] and issue.to_ns > span[0]:
            for name in issue.files:
                copy_file(issue.folder / name, out / "records" / f"{issue.number:06d}" / name)
    for file in store.imports.all():
        copy_file(store.folder / file.original, out / file.original)


def _readings(store: Store, setup: Setup, zone: str, span: tuple[int, int], out: Path) -> None:
    """CSV and Parquet of each channel of a zone; one without readings has no file."""
    import pyarrow.parquet as pq

    for key, rows in read_zone(store, setup, zone, *span).items():
        if len(rows):
            path = out / "readings" / zone / key
            write_file(path.with_name(f"{key}.csv"), record_csv({key: rows}, simulated=store.simulated)[0])
            pq.write_table(rows.table(), path.with_name(f"{key}.parquet"), compression="zstd")


def _json(facts: Any) -> bytes:
    return (json.dumps(facts, indent=1, ensure_ascii=False, default=str) + "\n").encode()
