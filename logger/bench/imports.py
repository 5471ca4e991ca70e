"""An import of a long text file beside DuckDB's explicit read of the same file, in one run.

Decimal commas, days first, one instant and two values a row, as a logger of the trade writes them. DuckDB is
told everything (names, types, signs, format) and stores nothing; the import proves, compares and is durable.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from ..config import example_folder, load
from ..errors import Refused
from ..imports import Profile, import_file
from ..imports.profile import Column
from ..model import Setup
from ..processes.confined import end_idle
from ..store import Store
from .timing import time_both

FIRST = datetime(2016, 1, 1)
COLUMNS = (Column("T", "P1.temperature", "degC"), Column("RH", "P1.relative_humidity", "%RH"))


@dataclass(frozen=True)
class ImportFigures:
    """Of one run. `peak_mib`: of this process, before DuckDB was loaded.

    first_cpu_s, next_cpu_s: seconds of a processor over all threads and processes, for a first file with the
    start of the process that reads it, and for each one after it; read_cpu_s: the least of five reads.
    """

    rows: int
    file_mib: float
    import_s: float
    again_s: float
    read_s: float
    peak_mib: float
    first_cpu_s: float
    next_cpu_s: float
    read_cpu_s: float

    def lines(self) -> list[str]:
        """What is printed."""
        return [
            f"{self.rows:,} rows ({self.file_mib:.0f} MiB) imported, compared and durable: "
            f"{self.import_s:.2f} s, peak {self.peak_mib:.0f} MiB",
            f"the same readings in other bytes, all of them there already: {self.again_s:.2f} s",
            f"DuckDB reads the file, explicitly told: {self.read_s:.2f} s; ratio "
            f"{self.import_s / self.read_s:.1f}",
            f"of a processor, all processes together: {self.first_cpu_s:.2f} s with the start of the one "
            f"that reads, {self.next_cpu_s:.2f} s for each further file, DuckDB {self.read_cpu_s:.2f} s; "
            f"ratios {self.first_cpu_s / self.read_cpu_s:.1f} and {self.next_cpu_s / self.read_cpu_s:.1f}",
        ]


def run(rows: int, say: Callable[[str], None]) -> ImportFigures:
    """Make the file, import it twice under different bytes, read it with DuckDB."""
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "long.csv"
        say(f"writing {rows:,} rows")
        _write(path, rows)
        config = load(example_folder())
        profile = Profile("long", ("Zeit",), COLUMNS, zone="+01:00", encoding="cp1252")
        with Store.open(Path(scratch) / "data", create=True, simulated=True) as store:

            def bring(file: Path) -> float:
                begin = time.perf_counter()
                import_file(file, profile, store, config.setup, "bench", time.time_ns(), report=say)
                return time.perf_counter() - begin

            import_s, peak_mib = bring(path), _peak_mib()
            again = path.with_name("again.csv")
            again.write_bytes(b"Export 2\n" + path.read_bytes())
            again_s = bring(again)
        say("importing into new records, for the seconds of a processor")
        first_cpu_s = _import_cpu_s(path, profile, config.setup, 1)
        next_cpu_s = (_import_cpu_s(path, profile, config.setup, 3) - first_cpu_s) / 2
        say("reading with DuckDB")
        read_s, read_cpu_s = _read(path)
        size = path.stat().st_size / 2**20
        return ImportFigures(
            rows, size, import_s, again_s, read_s, peak_mib, first_cpu_s, next_cpu_s, read_cpu_s
        )


def _import_cpu_s(path: Path, profile: Profile, setup: Setup, times: int) -> float:
    """Seconds of a processor for importing a file into so many new records, and the child's start once."""
    end_idle()
    begin = _cpu_s()
    for _ in range(times):
        with (
            tempfile.TemporaryDirectory() as scratch,
            Store.open(Path(scratch) / "data", create=True, simulated=True) as store,
        ):
            import_file(path, profile, store, setup, "bench", time.time_ns())
    end_idle()
    return _cpu_s() - begin


def _cpu_s() -> float:
    """Of this process and of its children that have ended."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def _write(path: Path, rows: int) -> None:
    with path.open("w", encoding="cp1252", newline="\r\n") as file:
        file.write("Zeit;T (°C);RH (%RH)\n")
        for n in range(rows):
            values = f"{20 + n % 97 / 100:.2f};{45 + n % 53 / 10:.1f}".replace(".", ",")
            file.write(f"{FIRST + timedelta(minutes=n):%d.%m.%Y %H:%M:%S};{values}\n")


def _read(path: Path) -> tuple[float, float]:
    """Seconds by the clock and of a processor that DuckDB needs for the file: the least of five."""
    try:
        import duckdb
    except ImportError:
        raise Refused(
            "DuckDB is not installed here; it comes with `pip install 'stillroom[test]'`."
        ) from None
    ask = (
        "SELECT count(*), sum(T), max(t0) FROM read_csv(?, delim=';', header=true, decimal_separator=',', "
        "encoding='latin-1', timestampformat='%d.%m.%Y %H:%M:%S', auto_detect=false, "
        "columns={'t0': 'TIMESTAMP', 'T': 'DOUBLE', 'RH': 'DOUBLE'})"
    )
    times = [time_both(lambda: duckdb.connect().execute(ask, [str(path)]).fetchall()) for _ in range(5)]
    return min(wall for wall, _ in times), min(cpu for _, cpu in times)


def _peak_mib() -> float:
    """Of this process so far; bytes on macOS, KiB elsewhere."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 2**20 if sys.platform == "darwin" else peak / 2**10
