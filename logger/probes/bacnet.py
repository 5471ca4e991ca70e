"""Driver for BACnet/IP devices: ReadPropertyMultiple of all objects of a probe; nothing is ever written.

Nothing on a BACnet network proves who it is: every answer could be forged by anybody there. Source of
properties, flags and units: ANSI/ASHRAE 135, as the library bacpypes3 enumerates them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import Field

from ..formats.table import Positive, Table, Text
from .bacnet_port import BacnetPort, DeviceRefusal
from .bacnet_trial import trial
from .clock import Clock
from .decimals import reading_of
from .driver import OPENING_S, Raw, Status
from .identity import Identity, wrong_probe_values
from .plug_in import PluginLine, ProbeKind

OBJECT = r"^(analog-(input|output|value)|large-analog-value),\d{1,7}$"
ADDRESS = r"^\d{1,3}(\.\d{1,3}){3}(:\d{1,5})?$"
ANY_DEVICE = 4194303  # every device answers to it with its own number
UNITS = {
    62: "degC", 63: "K", 64: "degF", 29: "%RH", 98: "%", 53: "Pa", 54: "kPa", 133: "hPa", 134: "mbar",
    55: "bar", 96: "ppm", 74: "m/s", 37: "lx",
}  # fmt: skip
_ALIKE = ({"%", "%RH"}, {"hPa", "mbar"})  # two names of one unit
_IDENTITY = {"serial-number": 372, "object-name": 77, "description": 28}
_FLAGS = ("in-alarm", "fault", "overridden", "out-of-service")
_DISTURBED = _FLAGS[1:]  # in-alarm tells of a limit of theirs, not of the value
PRESENT_VALUE, STATUS_FLAGS, RELIABILITY, UNITS_OF, OBJECT_IDENTIFIER = 85, 111, 103, 117, 75
_OF_A_VALUE = (PRESENT_VALUE, STATUS_FLAGS, RELIABILITY)


class BacnetTable(Table):
    """[probes.KEY.connection] with kind = "bacnet"."""

    kind: Text
    address: Annotated[str, Field(pattern=ADDRESS)]
    device: Annotated[int, Field(ge=0, lt=ANY_DEVICE)]
    objects: Annotated[dict[str, Annotated[str, Field(pattern=OBJECT)]], Field(min_length=1, max_length=200)]
    local: Annotated[str, Field(pattern=ADDRESS)]
    identity: Literal["", "serial-number", "object-name", "description"] = ""
    timeout_s: Positive = 1.0


class BacnetDriver:
    """One probe at a device. Conforms to `ProbeDriver`; shares the port of this machine with others."""

    def __init__(self, line: PluginLine, port: BacnetPort, clock: Clock) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self._table: BacnetTable = line.table
        # Opening, the request, the number of another device; in halves where the device has little room.
        self.deadline_s = OPENING_S + 12 * self._table.timeout_s
        self.wire: object = port
        self._port = port
        self._clock = clock
        self._identity = Identity(line.serial if self._table.identity else "")
        who = [OBJECT_IDENTIFIER, *([_IDENTITY[self._table.identity]] if self._table.identity else [])]
        self._properties: dict[str, Sequence[int]] = {f"device,{self._table.device}": who}
        self._properties |= dict.fromkeys(self._table.objects.values(), (*_OF_A_VALUE, UNITS_OF))

    def open(self) -> None:
        """See `ProbeDriver`."""
        self._port.open(self._table.timeout_s)

    def close(self) -> None:
        """See `ProbeDriver`."""
        self._port.close()

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (a device is asked)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """Value, flags, reliability and unit of all objects, and who answers, in one request.

        There is no connection that would end where another device, or one set up anew, takes the address.
        """
        try:
            return self._rows(self._ask(self._properties))
        except TimeoutError:
            return self._all("timeout", f"no answer within {self._table.timeout_s:g} s")
        except DeviceRefusal as refusal:
            return self._all("device-error", str(refusal))

    def _rows(self, answers: Mapping[tuple[str, int], Any]) -> list[Raw]:
        device = f"device,{self._table.device}"
        if isinstance(answers.get((device, OBJECT_IDENTIFIER)), DeviceRefusal | None):
            return self._other_device()
        if self._table.identity:
            serial = str(answers.get((device, _IDENTITY[self._table.identity])))
            if why := self._identity.fault(serial, self._port.openings):
                return wrong_probe_values(self.channels, why, self._clock.wall_ns)
        return self._other_units(answers) or self._values(answers)

    def _ask(self, properties: Mapping[str, Sequence[int]]) -> dict[tuple[str, int], Any]:
        return self._port.read(self._table.address, properties, self._table.timeout_s)

    def _other_device(self) -> list[Raw]:
        """Rows that say that another device answers at the address."""
        answer = self._property(f"device,{ANY_DEVICE}", OBJECT_IDENTIFIER)  # not every device answers to it
        number = answer[1] if isinstance(answer, tuple) else answer
        other = "another one" if isinstance(answer, DeviceRefusal) else number
        why = f"expected device {self._table.device}, found {other}"
        return wrong_probe_values(self.channels, why, self._clock.wall_ns)

    def _property(self, name: str, number: int) -> Any:
        """One property, or the DeviceRefusal in its place."""
        try:
            return self._ask({name: [number]})[name, number]
        except DeviceRefusal as refusal:
            return refusal

    def _other_units(self, answers: Mapping[tuple[str, int], Any]) -> list[Raw]:
        """Rows of a device that names another unit than the channel's: none of its numbers is taken."""
        for name, channel in self.line.channels.items():
            answer = answers.get((self._table.objects[name], UNITS_OF))
            expected = self.line.units.get(channel, "")
            if answer is None or isinstance(answer, DeviceRefusal) or not expected:
                continue  # an object that is not there has a row of its own
            unit = UNITS.get(int(answer), f"{answer}")
            if unit != expected and not any({unit, expected} <= names for names in _ALIKE):
                return self._all("device-error", f"unit: expected {expected}, found {unit}")
        return []

    def _values(self, answers: Mapping[tuple[str, int], Any]) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        rows = []
        for name, channel in self.line.channels.items():
            place = self._table.objects[name]
            value, why = value_of(*(answers.get((place, number)) for number in _OF_A_VALUE))
            status: Status = "ok" if value is not None else "sensor-fault"
            rows.append(Raw(channel, value, status, at_ns, ascii(why)[1:-1][:64]))
        return rows

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, ascii(why)[1:-1][:64]) for channel in self.channels]


def value_of(present: Any, flags: Any, reliability: Any) -> tuple[float | None, str]:
    """The value of an object, or None and why it is no reading, with what came."""
    if isinstance(present, DeviceRefusal):
        return None, str(present)
    if flags is None or isinstance(flags, DeviceRefusal):
        return None, f"no status-flags with {present}"
    disturbed = [word for word, is_set in zip(_FLAGS, flags, strict=True) if is_set and word in _DISTURBED]
    faulty = reliability is not None and not isinstance(reliability, DeviceRefusal) and int(reliability) != 0
    if disturbed or faulty:
        words = [*disturbed, *([f"reliability {reliability}"] if faulty else [])]
        return None, f"{', '.join(words)}: {present}"
    if isinstance(present, bool) or not isinstance(present, float | int):
        return None, f"no number: {present}"
    return reading_of(float(present), single=type(present).__name__ != "Double"), f"{present}"


def _cautions(_table: BacnetTable) -> Iterator[str]:
    yield (
        "BACnet/IP proves nothing about who answers: whoever is on that network can forge its values. Do "
        "not let a rule depend on it alone, or state in the rule's basis why it may."
    )


def _drivers(group: Sequence[PluginLine], clock: Clock) -> list[BacnetDriver]:
    port = BacnetPort(group[0].table.local)
    return [BacnetDriver(line, port, clock) for line in group]


def _values_of(table: BacnetTable) -> Mapping[str, str]:
    return {name: name for name in table.objects}


BACNET = ProbeKind(
    BacnetTable, _values_of, lambda table: f"bacnet:{table.local}",
    lambda line, clock: _drivers([line], clock)[0],
    drivers=_drivers, cautions=_cautions, names_at="objects",
    needs=("bacpypes3", "bacnet"), trial=trial,
)  # fmt: skip
