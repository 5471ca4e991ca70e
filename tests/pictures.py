"""The pictures of the documentation, taken of the demo in a real browser: `python -m tests.pictures`.

Run it when a page looks different; each picture goes into docs/. Needs what the browser tests need.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from tests.e2e.conftest import FLAGS, executable

DOCS = Path(__file__).parents[1] / "docs"
# File in docs/ -> path of the page, width and height of the window.
PICTURES = {"now.png": ("/", 1280, 860)}
WAIT_S = 600.0


def free_port() -> int:
    """A port of loopback that nobody has."""
    with socket.socket() as client:
        client.bind(("127.0.0.1", 0))
        return int(client.getsockname()[1])


def wait_until_served(address: str) -> None:
    """Until the demo answers: it loads its weeks of history first."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5):  # noqa: S310 (loopback)
                return
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(1)


def take(address: str, folder: Path) -> None:
    """Every picture, in the light theme and without motion."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable(playwright), args=FLAGS)
        for name, (path, width, height) in PICTURES.items():
            page = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
            page.goto(address + path)
            page.wait_for_selector(".js-plotly-plot .scatterlayer .js-line")
            page.wait_for_timeout(1500)  # fonts, and the trails of the verdicts
            page.screenshot(path=folder / name)
            page.close()
        browser.close()


def main() -> None:
    """A demo in a folder of its own, its pictures, and its end."""
    with tempfile.TemporaryDirectory(prefix="stillroom-pictures-") as folder:
        port = free_port()
        demo = [sys.executable, "-m", "logger.cli", "demo", "--no-browser", "--port", str(port)]
        running = subprocess.Popen([*demo, "--data", str(Path(folder) / "demo")])
        try:
            wait_until_served(f"http://127.0.0.1:{port}/")
            take(f"http://127.0.0.1:{port}", DOCS)
        finally:
            running.terminate()
            running.wait(60)


if __name__ == "__main__":
    main()
