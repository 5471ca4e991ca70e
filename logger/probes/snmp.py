"""Driver for SNMP agents, version 3 and 2c: one GET of all objects of a probe; nothing is ever set.

Source of types and exceptions: RFC 3416 (noSuchObject, noSuchInstance), RFC 2578 (counters count, they
measure nothing). A wrong community and a wrong privacy password are met with silence by agents (RFC 3584,
RFC 3414): the row of a time-out names both.
"""

from __future__ import annotations

import asyncio
import os
import re
import struct
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import Field

from ..errors import ProbeError
from ..formats.table import Positive, Table, Text
from .clock import Clock
from .decimals import shortest
from .driver import OPENING_S, Raw, Status
from .identity import Identity, wrong_probe_values
from .plug_in import KeyFault, KindRefused, PluginLine, ProbeKind, TrialOptions, TrialReport

PORT = 161
MOST_OBJECTS = 60  # in one request, so that an answer fits into one datagram
OID = r"^\.?\d+(\.\d+)+$"
_NUMBER = re.compile(r"\s*[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d{1,3})?\s*")
_COUNTS = ("Counter32", "Counter64", "TimeTicks")
_SILENT = {
    "3": "no answer: address, port, or privacy password",
    "2c": "no answer: address, port, or community",
}
Authentication = Literal["SHA-256", "SHA-384", "SHA-512", "SHA-224", "SHA-1", "MD5"]
Privacy = Literal["AES-128", "AES-192", "AES-256"]
_AUTHENTICATION = {
    "SHA-256": "usmHMAC192SHA256AuthProtocol",
    "SHA-384": "usmHMAC256SHA384AuthProtocol",
    "SHA-512": "usmHMAC384SHA512AuthProtocol",
    "SHA-224": "usmHMAC128SHA224AuthProtocol",
    "SHA-1": "usmHMACSHAAuthProtocol",
    "MD5": "usmHMACMD5AuthProtocol",
}
_PRIVACY = {
    "AES-128": "usmAesCfb128Protocol",
    "AES-192": "usmAesCfb192Protocol",
    "AES-256": "usmAesCfb256Protocol",
}


class SnmpObjectTable(Table):
    """One object of an agent: value = number × scale + offset; a number in `none` means no value."""

    oid: Annotated[str, Field(pattern=OID)]
    scale: float = 1.0
    offset: float = 0.0
    none: tuple[float, ...] = Field(default=(), strict=False)


class SnmpTable(Table):
    """[probes.KEY.connection] with kind = "snmp"."""

    kind: Text
    url: Annotated[str, Field(pattern=r"^snmp://[^/#?@]+$")]
    oids: Annotated[dict[str, SnmpObjectTable], Field(min_length=1, max_length=MOST_OBJECTS)]
    identity_oid: Annotated[str, Field(pattern=f"^$|{OID}")] = ""
    version: Literal["3", "2c"] = "3"
    user: str = ""
    authentication: Authentication = "SHA-256"
    authentication_env: str = ""
    privacy: Privacy = "AES-128"
    privacy_env: str = ""
    community_env: str = ""
    timeout_s: Positive = 1.0


def _faults(table: SnmpTable) -> Iterator[KeyFault]:
    if table.version == "2c" and not table.community_env:
        yield "community_env", "the environment variable with the community", "none"
    if table.version == "3":
        if not table.user:
            yield "user", 'a user of the agent, or version = "2c"', "none"
        if not table.authentication_env:
            yield "authentication_env", "the environment variable with the password of the user", "none"
    for name, thing in table.oids.items():
        if thing.scale == 0:
            yield f"oids.{name}", "a scale other than 0", "0"


def _cautions(table: SnmpTable) -> Iterator[str]:
    if table.version == "2c":
        yield "SNMP version 2c: whoever is on that network can read its community and forge its values."
    elif not table.privacy_env:
        yield "SNMP version 3 without privacy: whoever is on that network can read its values."


class SecretMissing(ProbeError):
    """An environment variable that should hold a secret is not set."""


def secret(variable: str) -> str:
    """What an environment variable holds; SecretMissing names it where it holds nothing."""
    value = os.environ.get(variable, "")
    if not value:
        raise SecretMissing(f"the environment variable {variable} is not set")
    return value


class SnmpAgent:
    """A connection to one agent. Its event loop runs only while something is asked."""

    def __init__(self, table: SnmpTable) -> None:
        self.table = table
        where = urlsplit(table.url)
        self._address = (where.hostname or "", where.port or PORT)
        self._runner: asyncio.Runner | None = None
        self._engine: Any = None
        self._peer: tuple[Any, ...] = ()
        self.openings = 0

    @property
    def is_open(self) -> bool:
        """Whether there is a socket. SNMP has no connection: nobody may be there all the same."""
        return self._engine is not None

    def open(self) -> None:
        """Looks up the name and makes a socket; ProbeError where the name is none or a secret is missing."""
        if self._engine is not None:
            return
        from pysnmp.error import PySnmpError
        from pysnmp.hlapi.v3arch import asyncio as snmp

        user = self._user(snmp)
        runner = asyncio.Runner()
        engine: Any = None
        try:

            async def reach() -> tuple[Any, ...]:
                nonlocal engine
                engine = snmp.SnmpEngine()
                target = snmp.UdpTransportTarget.create(
                    self._address, timeout=self.table.timeout_s, retries=0
                )
                peer = await asyncio.wait_for(target, self.table.timeout_s)
                return user, peer, snmp.ContextData()

            self._peer = runner.run(reach())
        except (PySnmpError, OSError, ValueError) as lost:
            _close(runner, engine)
            raise ProbeError(f"{self.table.url}: cannot be reached: {lost or type(lost).__name__}") from lost
        self._runner, self._engine = runner, engine
        self.openings += 1

    def _user(self, snmp: Any) -> Any:
        table = self.table
        if table.version == "2c":
            return snmp.CommunityData(secret(table.community_env), mpModel=1)
        private = {}
        if table.privacy_env:
            key = secret(table.privacy_env)
            private = {"privKey": key, "privProtocol": getattr(snmp, _PRIVACY[table.privacy])}
        return snmp.UsmUserData(
            table.user,
            authKey=secret(table.authentication_env),
            authProtocol=getattr(snmp, _AUTHENTICATION[table.authentication]),
            **private,
        )

    def get(self, oids: Sequence[str], *, following: bool = False) -> list[tuple[str, Any]]:
        """(object identifier, value) of each, or of each one that follows; AgentRefusal, TimeoutError."""
        from pysnmp.hlapi.v3arch import asyncio as snmp

        assert self._runner is not None  # noqa: S101 (it is open)
        things = [snmp.ObjectType(snmp.ObjectIdentity(oid.lstrip("."))) for oid in oids]
        ask = snmp.next_cmd if following else snmp.get_cmd
        indication, status, index, answers = self._runner.run(
            ask(self._engine, *self._peer, *things, lookupMib=False)
        )
        if indication:
            name = type(indication).__name__
            if name == "RequestTimedOut":
                raise TimeoutError(_SILENT[self.table.version])
            raise AgentRefusal(f"{name}: {indication}")
        if status and not following:
            raise AgentRefusal(f"{status.prettyPrint()} at {oids[max(0, int(index) - 1)]}")
        return [(str(answer[0]), answer[1]) for answer in answers]

    def close(self) -> None:
        """Lets go of the socket; never raises."""
        runner, engine, self._runner, self._engine = self._runner, self._engine, None, None
        _close(runner, engine)


class AgentRefusal(Exception):
    """An agent answered, but with no values: its own words."""


def _close(runner: asyncio.Runner | None, engine: Any) -> None:
    if runner is None:
        return
    with suppress(Exception):

        async def end() -> None:
            if engine is not None:
                engine.close_dispatcher()
            await asyncio.sleep(0)  # the loop tells its transports

        runner.run(end())
    with suppress(Exception):
        runner.close()


class SnmpDriver:
    """One probe behind an agent. Conforms to `ProbeDriver`."""

    def __init__(self, line: PluginLine, clock: Clock) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self._table: SnmpTable = line.table
        self.deadline_s = OPENING_S + 4 * self._table.timeout_s
        self.wire: object = self
        self._clock = clock
        self._agent = SnmpAgent(line.table)
        self._asks_who = bool(self._table.identity_oid and line.serial)
        self._identity = Identity(line.serial)

    def open(self) -> None:
        """See `ProbeDriver`."""
        with suppress(SecretMissing):  # the rows name it: the line itself is well
            self._agent.open()

    def close(self) -> None:
        """See `ProbeDriver`."""
        self._agent.close()

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (traps are not taken: silence would look steady)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """One GET of all objects, the serial number with them: nothing tells where another agent answers."""
        try:
            if not self._agent.is_open:
                self._agent.open()
            return self._values()
        except SecretMissing as missing:
            return self._all("device-error", str(missing))
        except TimeoutError as silent:
            # Another user's boots and time are learnt anew, and who answers is asked again.
            self._agent.close()
            return self._all("timeout", str(silent))
        except AgentRefusal as refusal:
            self._agent.close()
            return self._all("device-error", str(refusal))

    def _values(self) -> list[Raw]:
        objects = self._table.oids
        oids = [objects[name].oid for name in self.line.channels]
        answers = self._agent.get([*oids, self._table.identity_oid] if self._asks_who else oids)
        if self._asks_who and (why := self._identity.fault(_text(answers.pop()[1]), self._agent.openings)):
            return wrong_probe_values(self.channels, why, self._clock.wall_ns)
        at_ns = self._clock.wall_ns()
        rows = []
        for (name, channel), (oid, answer) in zip(self.line.channels.items(), answers, strict=True):
            if oid != objects[name].oid.lstrip("."):
                why = f"expected {objects[name].oid}, found {oid}"
                rows.append(Raw(channel, None, "garbage", at_ns, why[:64]))
                continue
            value, raw = value_of(answer, objects[name])
            rows.append(Raw(channel, value, "ok" if value is not None else "sensor-fault", at_ns, raw[:64]))
        return rows

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, ascii(why)[1:-1][:64]) for channel in self.channels]


def value_of(answer: Any, thing: SnmpObjectTable) -> tuple[float | None, str]:
    """The value of an object, or None and why it has none, with what came.

    >>> from pysnmp.proto.rfc1902 import Integer32, OctetString
    >>> value_of(Integer32(2003), SnmpObjectTable(oid="1.3.1", scale=0.01))
    (20.03, '2003')
    >>> value_of(OctetString("ERR"), SnmpObjectTable(oid="1.3.1"))
    (None, 'ERR')
    """
    kind = type(answer).__name__
    text = _text(answer)
    if kind in ("NoSuchObject", "NoSuchInstance", "EndOfMibView", "Null"):
        return None, f"{kind}: the agent has no such object"
    if kind in _COUNTS:
        return None, f"{kind} {text}: a counter is no reading"
    if not _NUMBER.fullmatch(text):
        return None, text
    try:
        number = Decimal(text.strip())
        if number in {Decimal(repr(none)) for none in thing.none}:
            return None, f"{text}: the agent's sign for no value"
        return float(number * Decimal(repr(thing.scale)) + Decimal(repr(thing.offset))), text
    except (InvalidOperation, OverflowError):
        return None, text


def _text(answer: Any) -> str:
    """What an answer holds, in signs that can be printed."""
    kind = type(answer).__name__
    if kind == "Opaque":
        return _opaque(bytes(answer))
    if kind == "OctetString":
        return bytes(answer).rstrip(b"\0").decode("ascii", "backslashreplace").strip()
    shown: str = answer.prettyPrint()
    return shown


def _opaque(data: bytes) -> str:
    """A float or double as agents wrap it: tag 9f 78 or 9f 79, length, IEEE 754 (a widespread extension)."""
    if data[:3] == b"\x9f\x78\x04" and len(data) == 7:
        return repr(shortest(struct.unpack(">f", data[3:])[0]))
    if data[:3] == b"\x9f\x79\x08" and len(data) == 11:
        return repr(struct.unpack(">d", data[3:])[0])
    return data.hex(" ")


def _values_of(table: SnmpTable) -> Mapping[str, str]:
    return {name: name for name in table.oids}


_ENTERPRISES = "1.3.6.1.4.1"
_MOST_SHOWN = 60
_MOST_WALKED = 400


def _trial(address: str, options: TrialOptions) -> TrialReport:
    """Walks the objects of the agent's maker and shows the numbers; reads only."""
    if options.user:
        keys = {"user": options.user, "authentication_env": options.secret_env}
    else:
        keys = {"version": "2c", "community_env": options.secret_env}
    if not options.secret_env:
        raise KindRefused("--env NAME, the environment variable with the community or the password", "none")
    url = address if address.startswith("snmp://") else f"snmp://{address}"
    oids = {"temperature": {"oid": "1.3"}}
    table = SnmpTable.model_validate(
        {"kind": "snmp", "url": url, "oids": oids, "timeout_s": options.timeout_s, **keys}
    )
    agent = SnmpAgent(table)
    agent.open()
    try:
        walked = list(_walk(agent))
    except (TimeoutError, AgentRefusal) as silent:
        return TrialReport((str(silent),), ())
    finally:
        agent.close()
    numbers = [(oid, text) for oid, kind, text in walked if kind not in _COUNTS and _NUMBER.fullmatch(text)]
    shown = [f"{oid} = {kind} {text}" for oid, kind, text in walked[:_MOST_SHOWN]]
    if not numbers:
        return TrialReport((*shown, f"no object below {_ENTERPRISES} is a number"), ())
    head = ['kind = "snmp"', f'url = "{url}"', *(f'{key} = "{value}"' for key, value in keys.items())]
    objects = f'oids = {{ temperature = {{ oid = "{numbers[0][0]}", scale = 1.0 }} }}'
    return TrialReport(tuple(shown), (*head, objects))


def _walk(agent: SnmpAgent) -> Iterator[tuple[str, str, str]]:
    oid = _ENTERPRISES
    for _ in range(_MOST_WALKED):
        answers = agent.get([oid], following=True)
        if not answers or not answers[0][0].startswith(f"{_ENTERPRISES}."):
            return
        oid, answer = answers[0]
        if type(answer).__name__ == "EndOfMibView":
            return
        yield oid, type(answer).__name__, _text(answer)


SNMP = ProbeKind(
    SnmpTable, _values_of, lambda table: table.url, SnmpDriver,
    faults=_faults, cautions=_cautions, names_at="oids", needs=("pysnmp", "snmp"), trial=_trial,
)  # fmt: skip
