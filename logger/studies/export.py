"""A study as files: figures and tables as CSV or Parquet, and the whole of it as JSON."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import Refused
from ..store.files import write_durably
from .study import Study, figure_dict

FIGURE_COLUMNS = (
    "name",
    "value",
    "low",
    "high",
    "unit",
    "n_independent",
    "shown",
    "why_not",
    "needed",
    "no_interval",
    "method",
)


def write_study(study: Study, folder: Path, *, parquet: bool = False) -> list[Path]:
    """Write study.json, figures and one file a table into a folder; Refused where that is no folder."""
    if folder.exists() and not folder.is_dir():
        raise Refused(f"--out: expected a folder, found the file {folder}. Nothing was written.")
    figures = [figure_dict(item) for item in study.answer.figures]
    tables: dict[str, Mapping[str, Any]] = {
        "figures": {name: [item[name] for item in figures] for name in FIGURE_COLUMNS},
        **study.answer.tables,
    }
    ending, write = ("parquet", _parquet) if parquet else ("csv", _csv)
    files = {f"{file_stem(name)}.{ending}": write(columns, study) for name, columns in tables.items()}
    files["study.json"] = (json.dumps(study.to_dict(), indent=1, ensure_ascii=False) + "\n").encode()
    for name, content in files.items():
        write_durably(folder / name, content)
    return [folder / name for name in files]


def file_stem(name: str) -> str:
    """The name of a table as a file name."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def _csv(columns: Mapping[str, Any], study: Study) -> bytes:
    """CSV; the first line says which study it is from, and whether its data are simulated."""
    out = io.StringIO(newline="")
    out.write(f"# study {study.digest}{' SIMULATED DATA' if study.simulated else ''}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return out.getvalue().encode()


def _parquet(columns: Mapping[str, Any], study: Study) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    mark = {"study": study.digest, "simulated": str(study.simulated).lower()}
    table = pa.table({name: list(values) for name, values in columns.items()}).replace_schema_metadata(mark)
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink)
    return bytes(sink.getvalue())
