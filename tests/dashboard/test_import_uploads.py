"""Files sent to page Import, over the real server: who may, how large, and what becomes of half a file."""

from __future__ import annotations

import http.client
import json
import shutil
import threading
import time
from collections import namedtuple
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dashboard.access.needs import EXPECTED_BODIES
from dashboard.app import create_app
from dashboard.connections import ClientLimits, server
from dashboard.parts.import_desk import Upload, work
from dashboard.parts.import_uploads import LASTS_S, LEFT_FREE, MOST_BYTES, Uploads
from logger.errors import Refused
from logger.imports.outside import description_of
from logger.model.roles import Role
from logger.people import People
from tests.dashboard.synthetic import Synthetic
from tests.dashboard.test_serving import free_port
from tests.imports.test_import_bombs import resident

HOST, MIB = "127.0.0.1", 1 << 20
PASSWORD = "twelve or more of them"


class Pages:
    """The pages of a record with two accounts, behind the real server."""

    def __init__(self) -> None:
        record = Synthetic(simulated=False)
        people = People(record.store)
        people.add("op", "Olga Pelz", {Role.METROLOGIST}, PASSWORD, "test")
        people.add("reader", "Rolf Egger", {Role.READER}, PASSWORD, "test")
        app = create_app(record.store.folder, source=record).server
        self.uploads: Uploads = app.extensions[EXPECTED_BODIES]
        self.port = free_port()
        self.server = server(app, HOST, self.port, limits=ClientLimits(), bodies=self.uploads)

    def visit(self, name: str) -> Visitor:
        return Visitor(self.port, name)


class Visitor:
    """A browser that has signed in."""

    def __init__(self, port: int, name: str) -> None:
        self.port = port
        self._headers: dict[str, str] = {}
        page = self.ask("GET", "/sign-in")[1].decode()
        token = page.partition('name="csrf_token" value="')[2].partition('"')[0]
        form = f"name={name}&password={PASSWORD.replace(' ', '+')}&csrf_token={token}"
        assert self.ask("POST", "/sign-in", form.encode(), "application/x-www-form-urlencoded")[0] == 302
        self.ask("GET", "/")
        cookie = next(c for c in self._headers["Cookie"].split("; ") if c.startswith("stillroom-csrf"))
        self._headers["X-CSRFToken"] = cookie.partition("=")[2]

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        kind: str = "application/json",
        size: int | None = None,
    ) -> tuple[int, bytes]:
        """Status and body of the answer; cookies are remembered."""
        length = {} if size is None else {"Content-Length": str(size)}
        with closing(http.client.HTTPConnection(HOST, self.port, timeout=600)) as connection:
            connection.request(method, path, body, {"Content-Type": kind, **self._headers, **length})
            answer = connection.getresponse()
            cookies = dict(c.split("=", 1) for c in self._headers.get("Cookie", "").split("; ") if c)
            for name, value in answer.getheaders():
                if name.lower() == "set-cookie":
                    cookies.update([value.partition(";")[0].split("=", 1)])
            self._headers["Cookie"] = "; ".join(f"{k}={v}" for k, v in cookies.items())
            return answer.status, answer.read()

    def announce(self, size: int, name: str = "bay.csv") -> tuple[int, dict[str, str]]:
        status, body = self.ask("POST", "/import/file", json.dumps({"name": name, "size": size}))
        return status, json.loads(body) if status in (201, 409) else {}


@pytest.fixture(scope="module")
def pages() -> Iterator[Pages]:
    item = Pages()
    thread = threading.Thread(target=item.server.run, daemon=True)
    thread.start()
    yield item
    item.server.close()
    thread.join(10)


def until(holds: Callable[[], object]) -> bool:
    end_s = time.monotonic() + 60
    while not holds() and time.monotonic() < end_s:
        time.sleep(0.05)
    return bool(holds())


def lying(pages: Pages) -> list[Path]:
    return list(pages.uploads._folder.iterdir())


@pytest.mark.slow
@pytest.mark.parametrize(
    "path", ["/import/file", "/import/file/x", "/_dash-update-component", "/api/push/a/1"]
)
def test_a_large_body_of_a_stranger_is_refused_before_it_comes(pages: Pages, path: str) -> None:
    """The answer is there although nothing of the body was sent: no stranger fills a disk."""
    with closing(http.client.HTTPConnection(HOST, pages.port, timeout=60)) as connection:
        connection.putrequest("POST", path)
        connection.putheader("Content-Length", str(60 * MIB))
        connection.endheaders()
        assert connection.getresponse().status == 413


@pytest.mark.slow
def test_who_may_not_import_gets_no_ticket(pages: Pages) -> None:
    assert pages.visit("reader").announce(1000)[0] == 403
    stranger = pages.visit("op")
    stranger._headers.clear()
    assert stranger.announce(1000)[0] in (400, 401)


def test_a_file_goes_straight_to_the_disk_and_is_described(pages: Pages) -> None:
    """Larger than anything else that is taken; the key opens it on the page."""
    content = b"time;bay\n" + b"2026-01-01 00:00:00;20.1\n" * 200_000
    visitor = pages.visit("op")
    status, answer = visitor.announce(len(content))
    assert status == 201
    status, body = visitor.ask(
        "POST", f"/import/file/{answer['ticket']}", content, "application/octet-stream"
    )
    assert status == 201
    assert json.loads(body)["key"]
    assert [file.read_bytes() == content for file in lying(pages)] == [True]
    again = visitor.ask("POST", f"/import/file/{answer['ticket']}", b"x", "application/octet-stream")
    assert again[0] == 409


def test_a_body_of_another_size_or_for_another_account_is_refused(pages: Pages) -> None:
    visitor = pages.visit("op")
    ticket = visitor.announce(3 * MIB)[1]["ticket"]
    assert visitor.ask("POST", f"/import/file/{ticket}", None, size=4 * MIB)[0] == 413
    other = pages.visit("reader")
    before = len(lying(pages))
    assert other.ask("POST", f"/import/file/{ticket}", bytes(3 * MIB), "application/octet-stream")[0] == 403
    assert until(lambda: len(lying(pages)) == before)


def test_half_a_file_leaves_nothing(pages: Pages) -> None:
    """The connection breaks in the middle."""
    visitor = pages.visit("op")
    before = len(lying(pages))
    ticket = visitor.announce(3 * MIB)[1]["ticket"]
    with closing(http.client.HTTPConnection(HOST, pages.port, timeout=60)) as connection:
        connection.putrequest("POST", f"/import/file/{ticket}")
        connection.putheader("Content-Length", str(3 * MIB))
        connection.endheaders()
        connection.send(bytes(MIB))
        assert until(lambda: len(lying(pages)) == before + 1)
    assert until(lambda: len(lying(pages)) == before)


def test_what_is_too_large_or_has_no_room_is_refused_in_words(
    pages: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    visitor = pages.visit("op")
    status, answer = visitor.announce(MOST_BYTES + 1)
    assert (status, answer["refused"]) == (
        409,
        "bay.csv is larger than 512 MiB; import it with `stillroom import` on the machine.",
    )
    assert "is empty" in visitor.announce(0)[1]["refused"]
    assert visitor.ask("POST", "/import/file", b"[]")[0] == 400
    usage = namedtuple("usage", "free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(LEFT_FREE + 10 * MIB))
    refused = visitor.announce(20 * MIB)[1]["refused"]
    free = int(refused.partition("where ")[2].partition(" MiB are free")[0])
    assert free <= 266  # what was announced and may still come is counted as taken
    assert "256 MiB must stay so" in refused


def test_a_ticket_is_for_one_body_in_its_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    uploads = Uploads(tmp_path)
    ticket = uploads.announce("a.csv", 10, "op")
    assert uploads.claim(ticket, 11) is None
    spool = uploads.claim(ticket, 10)
    assert spool is not None
    assert uploads.claim(ticket, 10) is None
    spool.append(b"12345")
    with pytest.raises(Refused, match="upload incomplete"):
        uploads.take(ticket, "op", 10, spool.getfile())
    assert list(tmp_path.iterdir()) == []
    late = uploads.announce("a.csv", 10, "op")
    now_s = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: now_s + LASTS_S + 1)
    assert uploads.claim(late, 10) is None


def test_a_file_that_left_the_desk_meanwhile_is_a_sentence(tmp_path: Path) -> None:
    upload = Upload("a.csv", tmp_path / "gone")
    work(upload, lambda first: description_of(first.name, first.path), wait_s=60.0)
    assert upload.refused == "a.csv can no longer be read: No such file or directory. Choose it again."


@pytest.mark.parametrize(
    "megabytes", [pytest.param(40, id="short"), pytest.param(300, id="long", marks=pytest.mark.long)]
)
def test_a_large_file_takes_no_memory_of_the_pages(pages: Pages, megabytes: int) -> None:
    """By `resident`, which is of the whole process, client included."""
    line = b"2026-01-01 00:00:00;20.1\n"
    part = line * (MIB // len(line))
    visitor = pages.visit("op")
    size = len(part) * megabytes
    ticket = visitor.announce(size)[1]["ticket"]
    before = resident()
    status, _ = visitor.ask(
        "POST", f"/import/file/{ticket}", (part for _ in range(megabytes)), "application/octet-stream", size
    )
    grown = resident() - before
    print(f"{megabytes} MiB sent, the process grew by {grown / MIB:.1f} MiB")
    assert status == 201
    assert grown < 25 * MIB
