"""What `stillroom probe try ADDRESS --kind opc-ua` shows: certificate, kinds of security, and variables."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .loop import LoopThread
from .opc_ua_server import fingerprint
from .plug_in import TrialOptions, TrialReport

_MOST_SHOWN = 40
_DEEPEST = 6


def trial(address: str, options: TrialOptions) -> TrialReport:
    """Endpoints of a server, the fingerprint of its certificate, and its variables where anybody may look."""
    url = address if "://" in address else f"opc.tcp://{address}"
    loop = LoopThread(f"opc-ua {url}")
    try:
        shown, certificate = loop.run(_endpoints(url, options.timeout_s), options.timeout_s)
    except (TimeoutError, OSError) as lost:
        return TrialReport((f"no answer from {url}: {lost or type(lost).__name__}",), ())
    finally:
        loop.stop()
    lines = list(shown)
    if certificate:
        lines.append(f"certificate of the server: SHA-256 {fingerprint(certificate)}")
        lines.append("  compare it with the one that the server or its maker shows before you trust it")
    if certificate and options.save:
        Path(options.save).write_bytes(certificate)
        lines.append(f"  written to {options.save}")
    from asyncua import ua

    refusals = (ua.UaError, OSError, EOFError, AssertionError)
    loop = LoopThread(f"opc-ua {url}")
    try:
        variables = loop.run(_browsed(url, options.timeout_s), 10 * options.timeout_s)
    except refusals as refused:
        variables = []
        lines.append(f"its variables cannot be seen without security: {type(refused).__name__}")
    finally:
        loop.stop()
    lines += [f"  {node} = {value}" for node, value in variables]
    return TrialReport(tuple(lines), tuple(_table(url, variables, options.save)))


def _table(url: str, variables: list[tuple[str, str]], saved: str) -> Iterator[str]:
    node = variables[0][0] if variables else "nsu=URI;s=NAME"
    yield 'kind = "opc-ua"'
    yield f'url = "{url}"'
    yield f'nodes = {{ temperature = "{node}" }}'
    yield f'server_certificate_file = "{saved or "server.der"}"'
    yield 'certificate_file = "own.der"'
    yield 'key_file = "own.pem"'


async def _endpoints(url: str, timeout_s: float) -> tuple[list[str], bytes]:
    from asyncua import Client

    endpoints = await Client(url, timeout=timeout_s).connect_and_get_server_endpoints()
    certificate = next((bytes(e.ServerCertificate) for e in endpoints if e.ServerCertificate), b"")
    policies = (str(e.SecurityPolicyUri).rpartition("#")[2] for e in endpoints)
    return [
        f"{e.SecurityMode.name} {p} {e.EndpointUrl}" for e, p in zip(endpoints, policies, strict=True)
    ], certificate


async def _browsed(url: str, timeout_s: float) -> list[tuple[str, str]]:
    from asyncua import Client, ua

    variables: list[tuple[str, str]] = []
    async with Client(url, timeout=timeout_s) as client:
        namespaces = await client.get_namespace_array()
        level: list[Any] = [client.nodes.objects]
        for _ in range(_DEEPEST):
            below: list[Any] = []
            for node in level:
                for child in await node.get_children(
                    nodeclassmask=ua.NodeClass.Object | ua.NodeClass.Variable
                ):
                    if child.nodeid.NamespaceIndex == 0:
                        continue  # the server's own
                    below.append(child)
                    if (
                        await child.read_node_class() == ua.NodeClass.Variable
                        and len(variables) < _MOST_SHOWN
                    ):
                        variables.append((_name(child.nodeid, namespaces), await _value_text(child)))
            level = below
    return variables


async def _value_text(node: Any) -> str:
    answer = await node.read_data_value(raise_on_bad_status=False)
    content = None if answer.Value is None else answer.Value.Value
    return f"{content} ({answer.StatusCode.name}, taken {answer.SourceTimestamp})"


def _name(node: Any, namespaces: list[str]) -> str:
    letter = {"Numeric": "i", "Int": "i", "String": "s", "Guid": "g"}.get(node.NodeIdType.name, "i")
    if node.NodeIdType.name in ("TwoByte", "FourByte"):
        letter = "i"
    return f"nsu={namespaces[node.NamespaceIndex]};{letter}={node.Identifier}"
