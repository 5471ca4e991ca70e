"""Driver for OPC UA servers: one Read of all nodes of a probe at each poll; nothing is ever written.

Polled, not subscribed: of a subscription an unchanged value and a dead server look alike. Source of status
codes, stamps and EngineeringUnits: OPC UA parts 4 (7.7, 7.38) and 8 (5.6.3); codes of units: UN/CEFACT
Recommendation 20, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from ..formats.table import Positive, Table, Text
from .clock import Clock
from .decimals import reading_of
from .driver import OPENING_S, Raw, Status
from .identity import Identity, wrong_probe_values
from .opc_ua_server import OpcUaServer, ServerRefusal, is_same_unit, unit_of
from .opc_ua_trial import trial
from .plug_in import KeyFault, PluginLine, ProbeKind

NODE = r"^(nsu=[^;]+;|ns=\d+;)?(i=\d+|[sgb]=.+)$"
Node = Annotated[str, Field(pattern=NODE)]
_FIRST_YEAR = 1900  # a stamp of 1601 means that there is none
_BY_HAND = "GoodLocalOverride"
_AHEAD_S = 1.0  # so far a source may be ahead of its server that dates readings: stamps are rounded
_FLOAT, _NUMBERS = (
    "Float",
    ("SByte", "Byte", "Int16", "UInt16", "Int32", "UInt32", "Int64", "UInt64", "Double"),
)


class OpcUaTable(Table):
    """[probes.KEY.connection] with kind = "opc-ua"."""

    kind: Text
    url: Annotated[str, Field(pattern=r"^opc\.tcp://[^@]+$")]
    nodes: Annotated[dict[str, Node], Field(min_length=1, max_length=200)]
    identity: Annotated[str, Field(pattern=f"^$|{NODE}")] = ""
    security: Literal["sign-and-encrypt", "sign", "none"] = "sign-and-encrypt"
    policy: Literal["Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss"] = "Basic256Sha256"
    server_certificate_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    user: str = ""
    password_env: str = ""
    timeout_s: Positive = 2.0
    oldest_s: Positive | None = None
    time: Literal["arrival", "source"] = "arrival"


def _faults(table: OpcUaTable) -> Iterator[KeyFault]:
    if table.security == "none":
        if table.user:
            yield "user", "a connection with security: a password would travel open", 'security = "none"'
        return
    for key, why in (
        ("server_certificate_file", "the certificate of the server: without one nobody knows who answers"),
        ("certificate_file", "our own certificate, which the server must trust"),
        ("key_file", "the private key of our own certificate"),
    ):
        if not getattr(table, key):
            yield key, f'{why}; or security = "none"', "none"
    if table.user and not table.password_env:
        yield "password_env", "the environment variable with the password of the user", "none"


def _cautions(table: OpcUaTable) -> Iterator[str]:
    if table.security == "none":
        yield "OPC UA without security: whoever is on that network can read and forge its values."
    if table.security == "sign":
        yield "OPC UA signed but not encrypted: whoever is on that network can read its values."


@dataclass(frozen=True)
class _Settings:
    """What probes at one server have alike: they share one session."""

    security: str
    policy: str
    files: tuple[str, str, str]
    user: tuple[str, str]


def _alike(line: PluginLine) -> object:
    table: OpcUaTable = line.table
    files = (table.server_certificate_file, table.certificate_file, table.key_file)
    return _Settings(table.security, table.policy, files, (table.user, table.password_env))


class OpcUaDriver:
    """One probe at a server. Conforms to `ProbeDriver`; shares the session with others there."""

    def __init__(self, line: PluginLine, server: OpcUaServer, clock: Clock) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self._table: OpcUaTable = line.table
        self.deadline_s = OPENING_S + 6 * self._table.timeout_s
        self.wire: object = server
        self._server = server
        self._clock = clock
        self._oldest_s = self._table.oldest_s or 3 * line.interval_s
        self._identity = Identity(line.serial)
        self._asks_who = bool(self._table.identity and line.serial)
        self._known_at = 0  # the opening at which nodes were looked up
        self._nodes: dict[str, Any] = {}
        self._units: dict[str, Any] = {}  # the nodes of their EngineeringUnits
        self._who: list[Any] = []
        self._misnamed: dict[str, str] = {}  # channels whose nodes cannot be
        self._taken: dict[
            str, tuple[datetime, int]
        ] = {}  # stamp of the newest value, and when that was by us

    def open(self) -> None:
        """See `ProbeDriver`."""
        self._server.open(self._table.timeout_s)

    def close(self) -> None:
        """See `ProbeDriver`."""
        self._server.close()

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (a server is asked)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """One Read of values, units and serial number; at an opening first the namespaces."""
        try:
            if self._known_at != self._server.openings:
                self._look_up()
            return self._rows()
        except TimeoutError:
            self._server.close()
            return self._all("timeout", f"no answer within {self._table.timeout_s:g} s")
        except ServerRefusal as refusal:
            self._server.close()
            return self._all("device-error", str(refusal))

    def _look_up(self) -> None:
        """Finds nodes, and those of their units, by the namespaces as they are now."""
        self._nodes, self._misnamed = {}, {}
        for name, channel in self.line.channels.items():
            try:
                self._nodes[name] = self._server.node(self._table.nodes[name])
            except ServerRefusal as refusal:
                self._misnamed[channel] = str(refusal)
        nodes = self._server.unit_nodes(list(self._nodes.values()), self._table.timeout_s)
        self._units = {name: node for name, node in zip(self._nodes, nodes, strict=True) if node is not None}
        self._who = [self._server.node(self._table.identity)] if self._asks_who else []
        self._known_at = self._server.openings

    def _rows(self) -> list[Raw]:
        """Who answers and in which unit comes with the values: a session goes on where either is changed."""
        nodes = [*self._nodes.values(), *self._units.values(), *self._who]
        answers = iter(self._server.read(nodes, self._table.timeout_s) if nodes else [])
        values = dict(zip(self._nodes, answers, strict=False))
        units = dict(zip(self._units, answers, strict=False))
        for answer in answers:
            serial = str(answer.Value.Value) if answer.Value else answer.StatusCode.name
            if why := self._identity.fault(serial, self._server.openings):
                return wrong_probe_values(self.channels, why, self._clock.wall_ns)
        for name, answer in units.items():
            unit, expected = unit_of(answer), self.line.units.get(self.line.channels[name], "")
            if unit and expected and not is_same_unit(unit, expected):
                return self._all("device-error", f"unit: expected {expected}, found {unit}")
        return self._values(values)

    def _values(self, answers: Mapping[str, Any]) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [
            self._row(channel, answers[name], at_ns)
            if name in answers
            else Raw(channel, None, "sensor-fault", at_ns, ascii(self._misnamed[channel])[1:-1][:64])
            for name, channel in self.line.channels.items()
        ]

    def _row(self, channel: str, answer: Any, at_ns: int) -> Raw:
        dated = self._table.time == "source"
        value, why = value_of(answer, self._oldest_s, dated=dated)
        if value is None:
            return Raw(channel, None, "sensor-fault", at_ns, ascii(why)[1:-1][:64])
        taken_ns = self._taken_ns(channel, answer, at_ns) if dated else at_ns
        return Raw(channel, value, "ok", taken_ns, ascii(why)[1:-1][:64])

    def _taken_ns(self, channel: str, answer: Any, at_ns: int) -> int:
        """When the source took a value, by our clock: its age, by the server's clock alone, before arrival.

        So a server whose clock is wrong moves no reading. A value that is read twice was taken once.
        """
        stamp, age_s = _stamp(answer.SourceTimestamp), _age_s(answer)
        assert stamp is not None and age_s is not None  # noqa: S101, PT018 (value_of has seen to that)
        earlier = self._taken.get(channel)
        if earlier is None or earlier[0] != stamp:
            earlier = self._taken[channel] = stamp, at_ns - round(max(age_s, 0.0) * 1e9)
        return earlier[1]

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, ascii(why)[1:-1][:64]) for channel in self.channels]


def value_of(answer: Any, oldest_s: float, *, dated: bool = False) -> tuple[float | None, str]:
    """The value of a DataValue, or None and why it is no reading, with the status word and what came.

    dated: its stamps say when it was taken, so that one without them, or from the future, is none.
    """
    status = answer.StatusCode.name if answer.StatusCode is not None else "Good"
    variant = answer.Value
    content = None if variant is None else variant.Value
    if not status.startswith("Good"):
        return None, f"{status} {content}"
    if status == _BY_HAND:
        return None, f"{status}: a hand has set it to {content}"
    kind = "" if variant is None else variant.VariantType.name
    if kind not in (_FLOAT, *_NUMBERS) or not isinstance(content, float | int):
        return None, f"{status}: no number: {content}"
    age_s = _age_s(answer)
    if dated and age_s is None:
        missing = "source" if _stamp(answer.SourceTimestamp) is None else "server"
        return None, f"no time of the {missing}, value {content}"
    if age_s is not None and (age_s > oldest_s or age_s < -(_AHEAD_S if dated else oldest_s)):
        word = "old: taken" if age_s > 0 else "ahead: taken"
        return None, f"{word} {answer.SourceTimestamp:%Y-%m-%dT%H:%M:%SZ}, value {content}"
    value = reading_of(float(content), single=kind == _FLOAT)
    return value, f"{status} {content}"


def _age_s(answer: Any) -> float | None:
    """Between the stamps of server and source, both of the server's side; None where one is missing."""
    server, source = _stamp(answer.ServerTimestamp), _stamp(answer.SourceTimestamp)
    return (server - source).total_seconds() if server and source else None


def _stamp(stamp: Any) -> datetime | None:
    return stamp if isinstance(stamp, datetime) and stamp.year > _FIRST_YEAR else None


def _drivers(group: Sequence[PluginLine], clock: Clock) -> list[OpcUaDriver]:
    server = OpcUaServer(group[0].table)
    return [OpcUaDriver(line, server, clock) for line in group]


def _values_of(table: OpcUaTable) -> Mapping[str, str]:
    return {name: name for name in table.nodes}


OPC_UA = ProbeKind(
    OpcUaTable, _values_of, lambda table: table.url, lambda line, clock: _drivers([line], clock)[0],
    drivers=_drivers, alike=_alike, faults=_faults, cautions=_cautions, names_at="nodes",
    needs=("asyncua", "opcua"), trial=trial,
)  # fmt: skip
