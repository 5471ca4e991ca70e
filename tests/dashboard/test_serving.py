"""Where the pages are served: TLS, what is said of it, and which sockets are opened."""

from __future__ import annotations

import socket
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from dashboard.server import ServingPlace, TlsFiles, bind, serve
from logger.errors import Refused
from tests.command_line import run_here
from tests.dashboard.synthetic import Synthetic
from tests.tls import self_signed, write_key


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> TlsFiles:
    """A certificate for localhost and its key."""
    return TlsFiles(*self_signed(tmp_path_factory.mktemp("tls")))


@pytest.fixture
def served(files: TlsFiles) -> Iterator[tuple[ServingPlace, Synthetic]]:
    record, place = Synthetic(), ServingPlace("127.0.0.1", free_port(), tls=files)
    server = bind(record.store.folder, place, source=record)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield place, record
    server.close()
    thread.join(60)


@pytest.mark.slow
def test_pages_come_over_tls(served: Any, files: TlsFiles) -> None:
    """By OpenSSL as Python has it: the certificate verifies, cookies are for TLS alone, old TLS is none."""
    import httpx

    place, _ = served
    trusted = ssl.create_default_context(cafile=str(files.certificate))
    with httpx.Client(verify=trusted) as client:
        page = client.get(place.address)
    assert page.status_code == 200
    assert all("Secure" in cookie for cookie in page.headers.get_list("set-cookie"))
    assert page.headers["Strict-Transport-Security"]
    old = ssl.create_default_context(cafile=str(files.certificate))
    old.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="TLS"):
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection((place.host, place.port), 5) as plain,
        pytest.raises((ssl.SSLError, ConnectionError)),
    ):
        old.wrap_socket(plain, server_hostname="localhost")


def test_plain_http_on_the_port_of_tls_is_no_page(served: Any) -> None:
    """And the server goes on."""
    place, _ = served
    reply = b""
    with socket.create_connection((place.host, place.port), 5) as plain, suppress(ConnectionError):
        plain.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        reply = plain.recv(200)
    assert b"200 OK" not in reply
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with socket.create_connection((place.host, place.port), 5) as plain:
        context.wrap_socket(plain, server_hostname="localhost").close()


@pytest.mark.parametrize("wrong", ["missing", "swapped", "garbage", "locked"])
def test_unusable_files_are_named(files: TlsFiles, tmp_path: Path, wrong: str) -> None:
    """Before anything is served; a key with a password does not stop an unattended start by asking."""
    locked = tmp_path / "locked.key"
    write_key(locked, ec.generate_private_key(ec.SECP256R1()), b"secret")
    (tmp_path / "garbage.pem").write_text("nothing")
    fields = {
        "missing": TlsFiles(tmp_path / "none.pem", files.key),
        "swapped": TlsFiles(files.key, files.certificate),
        "garbage": TlsFiles(tmp_path / "garbage.pem", files.key),
        "locked": TlsFiles(files.certificate, locked),
    }[wrong]
    record = Synthetic()
    with pytest.raises(Refused, match="expected a"):
        bind(record.store.folder, ServingPlace(port=free_port(), tls=fields), source=record)


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        (ServingPlace("127.0.0.1", 1), False),
        (ServingPlace("::1", 1), False),
        (ServingPlace("0.0.0.0", 1), True),  # noqa: S104 (said, and not listened on)
        (ServingPlace("192.0.2.1", 1), True),
        (ServingPlace("192.0.2.1", 1, behind_tls=True), False),
    ],
)
def test_plain_http_beyond_this_machine_is_said(
    monkeypatch: pytest.MonkeyPatch, place: ServingPlace, expected: bool
) -> None:
    """Plainly, with what to do; and the first administrator's address is one of this machine."""
    from dashboard import server as serving

    class Ended:
        def run(self) -> None: ...

        def close(self) -> None: ...

    monkeypatch.setattr(serving, "bind", lambda *_, **__: Ended())
    monkeypatch.setattr(serving.sign_in, "wanted_first", lambda _: True)
    lines: list[str] = []
    serve(Path("unused"), place, lines.append)
    assert any("plain HTTP, open to other machines" in line for line in lines) == expected
    assert any("/first?code=" in line for line in lines)


@pytest.mark.slow
@pytest.mark.parametrize(("proxy", "address"), [("127.0.0.1", "192.0.2.7"), ("", "127.0.0.1")])
def test_visitors_are_those_of_the_declared_proxy(proxy: str, address: str) -> None:
    """X-Forwarded-For is believed of the proxy that was named, its last entry alone, and of nobody else."""
    import httpx

    record, place = Synthetic(simulated=False), ServingPlace("127.0.0.1", free_port(), proxy=proxy)
    server = bind(record.store.folder, place, source=record)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    with httpx.Client(headers={"X-Forwarded-For": "203.0.113.5, 192.0.2.7"}) as client:
        page = client.get(f"{place.address}sign-in")
        token = page.text.partition('name="csrf_token" value="')[2].partition('"')[0]
        form = {"name": "nobody", "password": "wrong password 123", "csrf_token": token}
        assert client.post(f"{place.address}sign-in", data=form).status_code == 401
    server.close()
    thread.join(60)
    assert record.store.journal.entries(kind="refused")[-1].what["address"] == address
    record.store.close()


def test_what_is_no_address_of_a_proxy_is_refused(demo_history: Path) -> None:
    result = run_here("serve", "--data", demo_history, "--proxy", "front")
    assert (result.returncode, "--proxy: enter its IP address" in result.stderr) == (2, True)


def test_one_file_of_tls_is_refused(demo_history: Path) -> None:
    result = run_here("serve", "--data", demo_history, "--key", "x")
    assert (result.returncode, "needs both files" in result.stderr) == (2, True)


AUDITED = """
import sys, threading
seen = []
def hook(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.bind"):
        seen.append((event, str(args[1])))
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        seen.append((event, str(args[0])))
sys.addaudithook(hook)
from pathlib import Path
from dashboard.server import ServingPlace, bind
server = bind(Path(sys.argv[1]), ServingPlace("127.0.0.1", int(sys.argv[2])))
thread = threading.Thread(target=server.run, daemon=True)
thread.start()
import http.client
asked = http.client.HTTPConnection("127.0.0.1", int(sys.argv[2]))
asked.request("GET", "/")
assert asked.getresponse().read()
print("\\n".join(f"{event} {where}" for event, where in seen))
"""


@pytest.mark.slow
def test_no_socket_is_opened_but_its_own(demo_copy: Path) -> None:
    """Every connection, look-up and bind of the serving process, by Python's audit hook."""
    port = free_port()
    command = [sys.executable, "-c", AUDITED, str(demo_copy), str(port)]
    result = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert result.returncode == 0, result.stderr
    seen = set(result.stdout.split("\n")) - {""}
    own = f"('127.0.0.1', {port})"
    allowed = {f"socket.bind {own}", f"socket.connect {own}", "socket.getaddrinfo 127.0.0.1"}
    assert f"socket.bind {own}" in seen
    assert seen - allowed == set()
