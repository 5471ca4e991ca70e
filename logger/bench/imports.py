"""An import of a long text file beside DuckDB's explicit read of the same file, in one run.

Decimal commas, days first, one instant and two values a row, as a logger of the trade writes them. DuckDB is
told everything (names, types, signs, format) and stores nothing; the import proves, compares and is durable.
"""

from __future__ import annotations

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
from ..store import Store

FIRST = datetime(2016, 1, 1)
COLUMNS = (Column("T", "P1.temperature", "degC"), Column("RH", "P1.relative_humidity", "%RH"))


@dataclass(frozen=True)
class ImportFigures:
    """Of one run. `peak_mib`: of this process, before DuckDB was loaded."""

    rows: int
    file_mib: float
    import_s: float
    again_s: float
    read_s: float
    peak_mib: float

    def lines(self) -> list[str]:
        """What is printed."""
        return [
            f"{self.rows:,} rows ({self.file_mib:.0f} MiB) imported, compared and durable: "
            f"{self.import_s:.2f} s, peak {self.peak_mib:.0f} MiB",
            f"the same readings in other bytes, all of them there already: {self.again_s:.2f} s",
            f"DuckDB reads the file, explicitly told: {self.read_s:.2f} s; ratio "
            f"{self.import_s / self.read_s:.1f}",
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
        say("reading with DuckDB")
        return ImportFigures(rows, path.stat().st_size / 2**20, import_s, again_s, _read_s(path), peak_mib)


def _write(path: Path, rows: int) -> None:
    with path.open("w", encoding="cp1252", newline="\r\n") as file:
        file.write("Zeit;T (°C);RH (%RH)\n")
        for n in range(rows):
            values = f"{20 + n % 97 / 100:.2f};{45 + n % 53 / 10:.1f}".replace(".", ",")
            file.write(f"{FIRST + timedelta(minutes=n):%d.%m.%Y %H:%M:%S};{values}\n")


def _read_s(path: Path) -> float:
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
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        duckdb.connect().execute(ask, [str(path)]).fetchall()
        times.append(time.perf_counter() - begin)
    return min(times)


def _peak_mib() -> float:
    """Of this process so far; bytes on macOS, KiB elsewhere."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 2**20 if sys.platform == "darwin" else peak / 2**10
