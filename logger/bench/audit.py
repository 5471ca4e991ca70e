"""What an assessor waits for: records of a month and a year, one date, the package, verifying, an impact.

Each step is timed by itself in one run, on a record as `record.py` makes it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ..acts.inspections import add_inspections, inspections
from ..errors import Refused
from ..inspections.assess import question_of
from ..inspections.batch import assess_many
from ..inspections.impact import by_probe
from ..instants import NS
from ..model import Inspection
from ..package import pack, verify_package
from ..record.at_instant import state_at
from ..record.issuance import issue
from ..verdicts.verdicts import Verdicts
from .record import START_NS, ZONE, make, setup
from .timing import time_both, time_call

DAY_NS = 86_400 * NS
MONTH_DAYS = 31
JOBS = 10_000


@dataclass(frozen=True)
class AuditFigures:
    """Seconds of one run, in pairs those of a processor, too; `package_bytes` of all files."""

    readings: int
    month_s: float
    month_again_s: tuple[float, float]
    whole_s: tuple[float, float]
    anew_s: tuple[float, float]
    days: int
    moment_s: tuple[float, float]
    package_s: float
    package_bytes: int
    verify_s: float
    jobs: int
    affected: int
    impact_s: tuple[float, float]
    whole_answers_s: tuple[float, float]

    def lines(self) -> list[str]:
        """What is printed."""
        return [
            f"record of a month, {self.days} days not judged yet: {self.month_s:.1f} s; judged: "
            f"{_both(self.month_again_s)}, {self.month_again_s[1] / self.anew_s[1]:.2f} times what judging "
            f"all {self.days} days anew takes of it ({self.anew_s[1]:.1f} s)",
            f"record of {self.days} days, {self.readings:,} readings, judged: {_both(self.whole_s)}",
            f"the answer to one date: {1000 * self.moment_s[0]:.0f} ms "
            f"({1000 * self.moment_s[1]:.0f} ms of a processor)",
            f"package of everything: {self.package_s:.1f} s, {self.package_bytes / 1e6:.0f} MB; "
            f"verified in {self.verify_s:.1f} s",
            f"a probe that was wrong for a month, {self.jobs:,} inspections, {self.affected} affected: "
            f"{_both(self.impact_s)}; the whole answers on these: {_both(self.whole_answers_s)}, "
            f"{self.whole_answers_s[1] / self.impact_s[1]:.1f} times as long",
        ]


def _both(seconds: tuple[float, float]) -> str:
    return f"{seconds[0]:.1f} s ({seconds[1]:.1f} s of a processor)"


def run(
    folder: Path,
    channels: int,
    days: int,
    say: Callable[[str], None],
    *,
    month_days: int = MONTH_DAYS,
    jobs: int = JOBS,
) -> AuditFigures:
    """Make the record if needed and take all figures in one run; a smoke test takes less of both."""
    if days < 2 * month_days:
        raise Refused(f"A record of {days} days is too short; expected {2 * month_days} or more (--days).")
    end_ns = START_NS + days * DAY_NS
    now_ns, month = end_ns + DAY_NS, (START_NS, START_NS + month_days * DAY_NS)
    room = setup(channels)
    with make(folder, channels, days, say) as store, tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch)

        def time_issue(name: str, from_ns: int, to_ns: int) -> tuple[float, float]:
            say(f"record of {name}")
            into = out / name
            return time_both(
                lambda: issue(store, Verdicts(store, room), room, ZONE, from_ns, to_ns, into, "bench", now_ns)
            )

        first, again = time_issue("a month", *month), time_issue("the same month", *month)
        whole_s = time_issue("everything", START_NS, end_ns)
        anew = time_both(lambda: Verdicts(store, room).prove(ZONE, now_ns))
        at_ns = START_NS + (days - 3) * DAY_NS
        answer = time_both(lambda: state_at(store, Verdicts(store, room), ZONE, at_ns, now_ns))
        say("package")
        package = out / "package"
        packing = time_call(
            lambda: pack(store, Verdicts(store, room), (START_NS, end_ns), package, "bench", now_ns)
        )
        size = sum(file.stat().st_size for file in package.rglob("*") if file.is_file())
        verifying = time_call(lambda: verify_package(package))
        readings = sum(seal.rows for seal in store.archive.seals())
        say("inspections")
        impact = _impact(Verdicts(store, room), (START_NS, end_ns), month, now_ns, jobs)
    return AuditFigures(
        readings, first[0], again, whole_s, anew, days, answer, packing, size, verifying, *impact
    )


def _impact(
    verdicts: Verdicts, record: tuple[int, int], month: tuple[int, int], now_ns: int, number: int
) -> tuple[int, int, tuple[float, float], tuple[float, float]]:
    """How many inspections there are and are affected; s of the question, and of whole answers on these."""
    setup, step_ns = verdicts.setup, (record[1] - record[0]) // (number + 2)
    if not inspections(verdicts.store):
        begins = [record[0] + n * step_ns // NS * NS for n in range(1, number + 1)]
        jobs = [_job(place, begin_ns) for place, begin_ns in enumerate(begins)]
        add_inspections(verdicts.store, setup, jobs, "bench")
    probe = next(iter(setup.probes))
    affected = by_probe(verdicts, probe, month, now_ns, 0.1)
    impact_s = time_both(lambda: by_probe(verdicts, probe, month, now_ns, 0.1))
    questions = [question_of(impact.job, now_ns) for impact in affected]
    whole_s = time_both(lambda: assess_many(verdicts, questions, now_ns))
    return number, len(affected), impact_s, whole_s


def _job(number: int, begin_ns: int) -> Inspection:
    """Twenty minutes to an hour and a half, of 50 to 650 mm of steel."""
    end_ns = begin_ns + (20 + number * 7 % 70) * 60 * NS
    length_mm = 50.0 + number * 37 % 600
    return Inspection(
        f"J-{number:05d}", ZONE, begin_ns, end_ns, f"part {number}", "", "steel", length_mm, 12.0
    )
