"""A real browser and a served record for the tests of the pages."""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.dashboard.synthetic import Synthetic
from tests.programs import skip_without

# Without these Chromium talks to hosts of its own at every start.
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE = Path(__file__).with_name("axe") / "axe.min.js"


@dataclass
class Seen:
    """What a page said and asked for."""

    console: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


def is_fault(message: Any) -> bool:
    """Whether a message of the console is a fault of the page; a preload used late is only slow."""
    slow = "was preloaded using link preload but not used within a few seconds" in message.text
    return message.type in ("error", "warning") and not slow


@dataclass
class Opened:
    """A page on a served record."""

    page: Any
    address: str
    seen: Seen

    def go(self, path: str, ready: str = "#page > *") -> Any:
        """Open a path and wait until something of the page stands there."""
        self.page.goto(self.address + path)
        self.page.wait_for_selector(ready)
        return self.page

    def walk(self, path: str) -> Any:
        """Go on to another page within the one that is open, as a link does: the libraries stay loaded."""
        with self.page.expect_response(lambda r: '"output":"..page.children' in (r.request.post_data or "")):
            self.page.evaluate(
                "path => { history.pushState({}, '', path);"
                " window.dispatchEvent(new CustomEvent('_dashprivate_pushstate')); }",
                path,
            )
        return self.page

    def wait(self, expression: str, seconds: float = 45.0) -> None:
        """Until an expression is true; asked from outside, since the page's policy forbids eval."""
        until = time.monotonic() + seconds
        while not self.page.evaluate(expression):
            assert time.monotonic() < until, f"never true: {expression}"
            self.page.wait_for_timeout(60)

    def foreign(self) -> list[str]:
        """Requests to anything but the server of the page."""
        own = (self.address + "/", "data:", "blob:" + self.address)
        return [url for url in self.seen.requests if not url.startswith(own)]

    def axe(self) -> list[str]:
        """Rules that the page violates, with the first place of each."""
        if not self.page.evaluate("'axe' in window"):
            self.page.evaluate(AXE.read_text(encoding="utf-8"))
        result = self.page.evaluate("tags => axe.run(document, {runOnly: tags})", AXE_TAGS)
        return [f"{v['id']}: {v['nodes'][0]['html'][:200]}" for v in result["violations"]]


def executable(playwright: Any) -> str | None:
    for path in (
        os.environ.get("STILLROOM_CHROMIUM"),
        "/usr/bin/chromium",
        shutil.which("chromium"),
        playwright.chromium.executable_path,
    ):
        if path and os.access(path, os.X_OK):
            return path
    return None


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    """One Chromium for all tests; none on this machine: skip, or fail where one is required."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        path = executable(playwright)
        if path is None:
            skip_without("Chromium is not installed, nor is STILLROOM_CHROMIUM the path of one")
        launched = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield launched
        launched.close()


@contextmanager
def serving(app: Any) -> Iterator[str]:
    """The application on a free port of loopback, for as long as it is needed."""
    from werkzeug.serving import make_server

    server = make_server("127.0.0.1", 0, app.server, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture(scope="package")
def served() -> Callable[..., Any]:
    """`with served(app) as address`, for tests that bring their own application."""
    return serving


@pytest.fixture
def record() -> Synthetic:
    """A fresh invented record with the clock held still."""
    return Synthetic()


@pytest.fixture
def address(record: Synthetic) -> Iterator[str]:
    """The dashboard over the invented record."""
    from dashboard.app import create_app

    with serving(create_app(Path("unused"), source=record, now_ns=lambda: record.now, tick_s=1.0)) as where:
        yield where


@pytest.fixture
def open_page(browser: Any, address: str) -> Iterator[Callable[..., Opened]]:
    """A new page in a context of its own; contexts are closed afterwards."""
    contexts = []

    def opened(*, width: int = 1280, scheme: str = "light", where: str = address) -> Opened:
        context = browser.new_context(
            viewport={"width": width, "height": 860}, color_scheme=scheme, reduced_motion="reduce"
        )
        contexts.append(context)
        page, seen = context.new_page(), Seen()
        page.set_default_timeout(45_000)
        page.on("console", lambda m: seen.console.append(m.text) if is_fault(m) else None)
        page.on("pageerror", lambda fault: seen.console.append(str(fault)))
        page.on("request", lambda request: seen.requests.append(request.url))
        return Opened(page, where, seen)

    yield opened
    for context in contexts:
        context.close()
