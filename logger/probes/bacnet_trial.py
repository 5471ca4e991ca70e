"""What `stillroom probe try ADDRESS --kind bacnet` shows: the device, its analog objects, their values."""

from __future__ import annotations

import socket
from typing import Any

from .bacnet_port import PORT, BacnetPort, DeviceRefusal
from .plug_in import TrialOptions, TrialReport

_ANY = "device,4194303"
_LIST, _IDENTIFIER, _NAME, _PRESENT, _UNITS, _FLAGS = 76, 75, 77, 85, 117, 111
_MOST_SHOWN = 40


def trial(address: str, options: TrialOptions) -> TrialReport:
    """Reads the list of objects of the device at an address; asks nobody else."""
    local = options.local or f"{_own_address(address)}:0"
    port = BacnetPort(local)
    port.open(options.timeout_s)
    try:
        return _trial_report(port, address, local, options.timeout_s)
    except TimeoutError:
        return TrialReport((f"no answer from {address} within {options.timeout_s:g} s",), ())
    except DeviceRefusal as refusal:
        return TrialReport((f"the device refuses: {refusal}",), ())
    finally:
        port.close()


def _trial_report(port: BacnetPort, address: str, local: str, timeout_s: float) -> TrialReport:
    answers = port.read(address, {_ANY: [_IDENTIFIER, _NAME, _LIST]}, timeout_s)
    by_number = {number: value for (_, number), value in answers.items()}
    if isinstance(by_number[_IDENTIFIER], DeviceRefusal):
        what_to_do = "write its device number into a table, and try that file"
        return TrialReport((f"the device answers only to its own number: {what_to_do}",), ())
    device = by_number[_IDENTIFIER][1]
    lines = [f"device {device}: {by_number[_NAME]}"]
    objects = by_number[_LIST]
    if isinstance(objects, DeviceRefusal):
        return TrialReport((*lines, f"its list of objects cannot be read: {objects}"), ())
    names = [f"{kind},{number}" for kind, number in objects if str(kind).startswith("analog-")][:_MOST_SHOWN]
    values: dict[tuple[str, int], Any] = {}
    if names:
        values = port.read(address, dict.fromkeys(names, (_PRESENT, _UNITS, _FLAGS, _NAME)), timeout_s)
    for name in names:
        value, unit, flags, title = (values[name, number] for number in (_PRESENT, _UNITS, _FLAGS, _NAME))
        lines.append(f"  {name} = {value} {unit} [{flags}] {title}")
    if not names:
        return TrialReport((*lines, "no analog object"), ())
    ours = local if not local.endswith(":0") else f"{local.partition(':')[0]}:{PORT}"
    table = ['kind = "bacnet"', f'address = "{address}"', f"device = {device}", f'local = "{ours}"']
    return TrialReport(tuple(lines), (*table, f'objects = {{ temperature = "{names[0]}" }}'))


def _own_address(address: str) -> str:
    """Our address on the way to a device; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect((address.partition(":")[0], PORT))
        return str(probe.getsockname()[0])
