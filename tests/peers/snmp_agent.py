"""The SNMP agent of Debian (net-snmp, BSD licence), steered by a file that says its objects."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Mapping
from pathlib import Path

from tests.programs import program

from . import PATIENCE_S, free_port, wait_for

BASE = "1.3.6.1.4.1.99999.1"  # an arc of nobody, as documentation uses it
COMMUNITY, USER, AUTHENTICATION, PRIVACY = "roomread", "reader", "authentication 1", "privacy key 22"
_PROGRAM = """#!/bin/sh
# net-snmp runs it as: program -g OID; three lines answer: OID, type, value. Nothing: no such object.
[ "$1" = "-g" ] && while IFS='|' read -r oid type value; do
    if [ ".$oid" = "$2" ]; then printf '%s\\n%s\\n%s\\n' "$2" "$type" "$value"; fi
done < {objects}
"""


class SnmpAgent:
    """`snmpd` on 127.0.0.1 with v2c and v3, which shows what `show` was given last."""

    def __init__(self, folder: Path) -> None:
        self._snmpd = program("snmpd")
        self._folder = folder
        self._objects = folder / "objects"
        self.port = free_port(socket.SOCK_DGRAM)
        script = folder / "objects.sh"
        script.write_text(_PROGRAM.format(objects=self._objects))
        script.chmod(0o755)
        (folder / "snmpd.conf").write_text(
            f"agentaddress udp:127.0.0.1:{self.port}\nrocommunity {COMMUNITY} 127.0.0.1\n"
            f'createUser {USER} SHA-256 "{AUTHENTICATION}" AES "{PRIVACY}"\nrouser {USER} priv\n'
            f"pass .{BASE} {shutil.which('sh')} {script}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None
        self._serial = ""
        self.show()
        self.start()

    def show(
        self,
        temperature: str = "integer|2003",
        humidity: str = "gauge|478",
        serial: str = "AG-0411",
        more: Mapping[str, str] | None = None,
    ) -> None:
        """BASE.1 (temperature in hundredths), .2 (humidity in tenths), .3 (serial number), more by number."""
        rows = {"1": temperature, "2": humidity, "3": f"string|{serial}", **(more or {})}
        text = "".join(f"{BASE}.{n}.0|{row}\n" for n, row in rows.items() if row)
        new = self._objects.with_suffix(".new")
        new.write_text(text)
        new.replace(self._objects)
        if self._process is not None and serial != self._serial:
            self.kill()  # it keeps the answer to its newest command for half a minute
            self.start()
        self._serial = serial

    def start(self) -> None:
        """Starts it and waits until it listens."""
        command = [
            self._snmpd,
            "-f",
            "-Lf",
            str(self._folder / "log"),
            "-C",
            "-c",
            str(self._folder / "snmpd.conf"),
        ]
        environment = {**os.environ, "SNMP_PERSISTENT_DIR": str(self._folder / "state")}
        self._process = subprocess.Popen(
            [*command, "-p", str(self._folder / "pid")], env=environment,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        log = self._folder / "log"
        wait_for(lambda: log.exists() and "NET-SNMP version" in log.read_text(), "snmpd to start")

    def kill(self) -> None:
        """Ends it at once."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(PATIENCE_S)
            (self._folder / "log").unlink(missing_ok=True)
