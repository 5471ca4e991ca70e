"""Run beside the installed package of the how-to: a setup with its kind, polled by the project's own bus.

Prints one line of JSON: what was polled, the text of plug-ins in the setup, and what `probe try` shows.
"""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

from logger import config
from logger.model import PluginLine, Row
from logger.probes import buses
from logger.probes.table_trial import try_table

BEGIN = "[probes.P2.connection]\n"


def main() -> None:
    from test_lab_bath import Bath  # type: ignore[import-not-found]  # beside the installed package

    bath = Bath()
    bath.serial = "AG-0412"  # that of P2
    table = f'kind = "bath"\ngateway = "127.0.0.1:{bath.port}"\naddress = 12\ntimeout_s = 30.0\n'
    texts = config.read_texts(config.example_folder())
    before, _, after = texts["probes.toml"].partition(BEGIN)
    probes = before + BEGIN + table + after[after.index("\n[probes.P3]") :]
    loaded = config.load_texts(texts | {"probes.toml": probes})
    (line,) = [line for line in loaded.lines if isinstance(line, PluginLine)]
    rows: list[Row] = []
    (bus,) = buses([replace(line, interval_s=0.2)], rows.extend, lambda kind, what: None)
    bus.start()
    until_s = time.monotonic() + 60
    while len(rows) < 3 and time.monotonic() < until_s:
        time.sleep(0.02)
    bus.stop(60)
    Path("bath.toml").write_text('[probes.N1]\nserial = "AG-0412"\n[probes.N1.connection]\n' + table)
    polled = sorted({(row.channel, row.value, row.status) for row in rows})
    print(json.dumps([polled, loaded.texts["plug-ins.toml"], try_table(Path("bath.toml")).shown]))


if __name__ == "__main__":
    main()
