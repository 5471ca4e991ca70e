"""The session with one OPC UA server, shared by the probes there."""

from __future__ import annotations

import hashlib
import logging
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

from ..errors import ProbeError
from .loop import LoopThread

KEEP_ALIVE_S = 30.0
# What servers answer to a message for the key of another one.
_UNREADABLE = ("BadSecurityChecksFailed", "BadTcpInternalError", "BadCertificateInvalid")
_LEAVING_S = 0.5  # to take leave of a server that may be gone
_CEFACT = "http://www.opcfoundation.org/UA/units/un/cefact"
# UN/CEFACT Recommendation 20, from memory. A unit's number is its code in base 256 (OPC UA part 8, 5.6.3).
_CODES = {
    "CEL": "degC", "KEL": "K", "FAH": "degF", "P1": "%RH", "PAL": "Pa", "A97": "hPa", "KPA": "kPa",
    "MBR": "mbar", "BAR": "bar", "59": "ppm", "MTS": "m/s", "LUX": "lx",
}  # fmt: skip
_SPELLINGS = {
    "°c": "degC", "degc": "degC", "c": "degC", "°f": "degF", "degf": "degF", "k": "K",
    "%": "%RH", "%rh": "%RH", "% rh": "%RH", "pa": "Pa", "hpa": "hPa",
    "kpa": "kPa", "mbar": "mbar", "bar": "bar", "ppm": "ppm", "m/s": "m/s", "lx": "lx",
}  # fmt: skip
_ALIKE = ({"%", "%RH"}, {"hPa", "mbar"})  # two names of one unit


class ServerSettings(Protocol):
    """What must be known of a server; `OpcUaTable` is such."""

    @property
    def url(self) -> str: ...
    @property
    def security(self) -> str: ...
    @property
    def policy(self) -> str: ...
    @property
    def server_certificate_file(self) -> str: ...
    @property
    def certificate_file(self) -> str: ...
    @property
    def key_file(self) -> str: ...
    @property
    def user(self) -> str: ...
    @property
    def password_env(self) -> str: ...


class ServerRefusal(Exception):
    """A server that answers, but not as it should: a sentence."""


class OpcUaServer:
    """A session. `openings` counts: namespaces, units and serial numbers are looked up anew after each."""

    def __init__(self, settings: ServerSettings) -> None:
        self._settings = settings
        self._loop: LoopThread | None = None
        self._client: Any = None
        self._namespaces: list[str] = []
        self.openings = 0

    def open(self, timeout_s: float) -> None:
        """Connects within the time; ProbeError where it cannot, in words that say what to mend."""
        if self._client is not None:
            return
        logging.getLogger("asyncua").setLevel(logging.CRITICAL)  # what it reports becomes rows
        import asyncua  # noqa: F401 (half a second the first time: not of the time for connecting)

        loop = LoopThread(f"opc-ua {self._settings.url}")
        try:
            client, self._namespaces = loop.run(self._connect(timeout_s), timeout_s)
        except BaseException as error:
            loop.stop()
            if not isinstance(error, Exception):
                raise
            raise ProbeError(f"{self._settings.url}: {self._words(error)}") from error
        self._loop, self._client = loop, client
        self.openings += 1

    async def _connect(self, timeout_s: float) -> tuple[Any, list[str]]:
        from asyncua import Client, ua
        from asyncua.crypto import security_policies

        settings = self._settings
        client = Client(settings.url, timeout=timeout_s, watchdog_intervall=KEEP_ALIVE_S)
        if settings.security != "none":
            modes = {"sign": ua.MessageSecurityMode.Sign}
            await client.set_security(
                getattr(security_policies, f"SecurityPolicy{settings.policy}"),
                _existing(settings.certificate_file),
                _existing(settings.key_file),
                server_certificate=_existing(settings.server_certificate_file),
                mode=modes.get(settings.security, ua.MessageSecurityMode.SignAndEncrypt),
            )
            client.application_uri = application_uri(settings.certificate_file) or client.application_uri
        if settings.user:
            client.set_user(settings.user)
            client.set_password(_password(settings.password_env))
        try:
            await client.connect()
            namespaces = await client.get_namespace_array()
        except BaseException:  # also where its time is over
            client.disconnect_socket()
            raise
        return client, [str(uri) for uri in namespaces]

    def _words(self, error: Exception) -> str:
        """Why there is no session; the library says some of it without words."""
        name = type(error).__name__
        if isinstance(error, TimeoutError):
            return "no session in time"
        if isinstance(error, AssertionError) or "BadCertificateUntrusted" in f"{name} {error}":
            print_ = fingerprint(Path(self._settings.certificate_file).read_bytes())
            return f"the server does not trust our certificate; trust it there: SHA-256 {print_}"
        if "mismatch" in str(error) or any(w in f"{name} {error}" for w in _UNREADABLE):
            return "the server shows another certificate than server_certificate_file, or refuses ours"
        if "BadUserAccessDenied" in f"{name} {error}" or "BadIdentityToken" in f"{name} {error}":
            return "the server rejects the user or the password"
        return f"{name}: {error}"

    def node(self, text: str) -> Any:
        """A node by its name in the setup; ServerRefusal where the server has no such namespace."""
        from asyncua import ua

        uri, _, rest = text.removeprefix("nsu=").partition(";")
        if not text.startswith("nsu="):
            return ua.NodeId.from_string(text)
        if uri not in self._namespaces:
            raise ServerRefusal(f"no namespace {uri}")
        return ua.NodeId.from_string(f"ns={self._namespaces.index(uri)};{rest}")

    def read(self, nodes: Sequence[Any], timeout_s: float) -> list[Any]:
        """DataValues in the order of the nodes, with both stamps. TimeoutError, ServerRefusal, ProbeError."""
        from asyncua import ua

        params = ua.ReadParameters()
        params.TimestampsToReturn = ua.TimestampsToReturn.Both
        params.MaxAge = 0.0
        params.NodesToRead = [ua.ReadValueId(node, ua.AttributeIds.Value) for node in nodes]
        answers = list(self._run(self._live().uaclient.read(params), timeout_s))
        if len(answers) != len(nodes):
            raise ServerRefusal(f"{len(answers)} answers to {len(nodes)} questions")
        return answers

    def unit_nodes(self, nodes: Sequence[Any], timeout_s: float) -> list[Any]:
        """The node of the EngineeringUnits of each node, None where it has none."""
        from asyncua import ua

        if not nodes:
            return []
        paths = []
        for node in nodes:
            path = ua.BrowsePath()
            path.StartingNode = node
            step = ua.RelativePathElement()
            step.ReferenceTypeId = ua.NodeId(ua.ObjectIds.HasProperty)
            step.IsInverse, step.IncludeSubtypes = False, True
            step.TargetName = ua.QualifiedName("EngineeringUnits", 0)
            path.RelativePath.Elements = [step]
            paths.append(path)
        results = self._run(self._live().uaclient.translate_browsepaths_to_nodeids(paths), timeout_s)
        return [_plain(result.Targets[0].TargetId) if result.Targets else None for result in results]

    def call(self, work: Any, timeout_s: float) -> Any:
        """Runs a coroutine of the library, given the client."""
        return self._run(work(self._live()), timeout_s)

    def _live(self) -> Any:
        if self._client is None:
            raise ProbeError(f"{self._settings.url}: there is no session")
        return self._client

    def _run(self, work: Any, timeout_s: float) -> Any:
        from asyncua import ua

        assert self._loop is not None  # noqa: S101 (there is a client)
        try:
            return self._loop.run(work, timeout_s)
        except TimeoutError:
            raise
        except (ua.UaError, OSError, EOFError) as lost:
            self.close()
            raise ProbeError(
                f"{self._settings.url}: the session is lost: {type(lost).__name__} {lost}"
            ) from lost

    def close(self) -> None:
        """Takes leave, or just goes; never raises."""
        client, loop, self._client, self._loop = self._client, self._loop, None, None
        if loop is None:
            return
        if client is not None:
            with suppress(Exception):
                loop.run(client.disconnect(), _LEAVING_S)
            with suppress(Exception):
                loop.run(_drop(client), _LEAVING_S)
        loop.stop()


async def _drop(client: Any) -> None:
    client.disconnect_socket()


def _plain(target: Any) -> Any:
    from asyncua import ua

    return ua.NodeId(target.Identifier, target.NamespaceIndex, target.NodeIdType)


def unit_of(answer: Any) -> str:
    """Our name of a unit, else the server's own; "" where it names none.

    What is not understood is never taken for the right one.
    """
    information = answer.Value.Value if answer.Value is not None else None
    if information is None:
        return ""
    name = str(getattr(information.DisplayName, "Text", "") or "").strip()
    if information.NamespaceUri == _CEFACT:
        number = int(information.UnitId)
        code = number.to_bytes(4, "big").lstrip(b"\0").decode("ascii", "replace") if number > 0 else ""
        if code in _CODES:
            return _CODES[code]
    return _SPELLINGS.get(name.lower(), name or f"number {information.UnitId}")


def is_same_unit(left: str, right: str) -> bool:
    """Whether two names mean one unit."""
    return left == right or any({left, right} <= names for names in _ALIKE)


def fingerprint(der: bytes) -> str:
    """SHA-256 of a certificate as people compare it."""
    return hashlib.sha256(der).hexdigest()


def application_uri(file: str) -> str:
    """The URI in a certificate: a server compares it with the one that the client gives."""
    from cryptography import x509

    data = Path(file).read_bytes()
    read = x509.load_pem_x509_certificate if data.startswith(b"-----") else x509.load_der_x509_certificate
    with suppress(x509.ExtensionNotFound):
        names = read(data).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return next(iter(names.get_values_for_type(x509.UniformResourceIdentifier)), "")
    return ""


def _existing(file: str) -> str:
    if not Path(file).is_file():
        raise FileNotFoundError(f"there is no file {file}")
    return file


def _password(variable: str) -> str:
    value = os.environ.get(variable, "")
    if not value:
        raise ValueError(f"the environment variable {variable} with the password is not set")
    return value
