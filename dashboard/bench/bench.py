"""How fast the pages are in a real browser: first paint, ticks, zoom over ten years, many viewers; one run.

Needs what the tests need: playwright, and a Chromium that is there. Times are those of the browser's own
clock; those of a busy machine are long, and the ratios say more.
"""

from __future__ import annotations

import os
import shutil
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from logger.errors import Refused
from logger.instants import NS
from logger.model import Row
from logger.store import Store

from .record import DAY_NS, fill, served
from .viewers import RecordedRequest, watch

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
LONG_PROBES, LONG_STEP_S = 4, 3600  # a reading an hour: charts of years come from overviews in any case
LIVE_STEP_S, LIVE_DAYS = 60, 2
DRAWN = "document.querySelectorAll('.js-plotly-plot .scatterlayer .js-line').length"
LAST = """Math.max(...document.querySelector('.js-plotly-plot').data
  .filter(t => t.name && t.name.startsWith('P')).map(t => t.x[t.x.length - 1]))"""
FIRST_PAINT = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
PATIENCE_S = 240.0  # for one thing to appear on a page; on a quiet machine each takes a second or two
DEBOUNCE_MS = 200  # assets/clientside.js
# From the moment in which the page asks for a window until it has drawn what came; other requests meanwhile,
# and drawings before the answer, are passed over.
WATCH = """() => {
  const own = window.fetch; window.__zoom = {};
  window.fetch = function (r, o) {
    const zoom = window.__zoom, body = String((o && o.body) || '');
    const ours = !zoom.asked && body.includes('"output":"..trend-graph.figure');
    if (ours) { zoom.asked = performance.now(); }
    const answer = own.apply(this, arguments);
    if (ours) { answer.then(() => { zoom.answered = performance.now(); }); }
    return answer;
  };
  const chart = document.querySelector('#trend-graph .js-plotly-plot');
  chart.on('plotly_afterplot', () => {
    const zoom = window.__zoom;
    if (zoom.answered && !zoom.drawn) { zoom.drawn = performance.now(); }
  });
}"""
ZOOM = """([a, b]) => {
  window.__zoom = {};
  const chart = document.querySelector('#trend-graph .js-plotly-plot');
  return window.Plotly.relayout(chart, {'xaxis.range[0]': a, 'xaxis.range[1]': b}).then(() => null);
}"""
REDRAW = """async () => {
  const chart = document.querySelector('#trend-graph .js-plotly-plot'), times = [];
  for (let i = 0; i < 7; i++) {
    const began = performance.now();
    await window.Plotly.redraw(chart);
    await new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)));
    times.push(performance.now() - began);
  }
  return times.sort((x, y) => x - y)[3];
}"""


@dataclass(frozen=True)
class Figures:
    """Of one run. Times in ms, sizes in bytes."""

    probes: int
    shown_ms: float
    shown_again_ms: float
    first_ms: float
    again_ms: float
    tick_bytes: int
    on_screen_ms: float
    zoom_ms: tuple[float, ...]
    redraw_20_ms: float
    redraw_2000_ms: float
    viewers: int
    viewers_core: float
    one_viewer_core: float
    refreshes_share: float

    def lines(self) -> list[str]:
        """What is printed."""
        zooms, zoom_ms = ", ".join(f"{ms:.0f}" for ms in self.zoom_ms), statistics.median(self.zoom_ms)
        return [
            f"verdicts of Now, {self.probes} probes, shown after {self.shown_ms:.0f} ms with nothing kept, "
            f"{self.shown_again_ms:.0f} ms again; with charts after {self.first_ms:.0f} and "
            f"{self.again_ms:.0f} ms; ratio {self.first_ms / self.shown_ms:.1f}",
            f"a live tick of {self.probes} readings: {self.tick_bytes} bytes; on the screen "
            f"{self.on_screen_ms:.0f} ms after it was stored",
            f"zoom on ten years, drawn after {DEBOUNCE_MS} ms of quiet: {zoom_ms:.0f} ms, median of {zooms}",
            f"drawing 2,000 verdict periods: {self.redraw_2000_ms:.0f} ms, 20: {self.redraw_20_ms:.0f} ms; "
            f"ratio {self.redraw_2000_ms / self.redraw_20_ms:.2f}",
            f"{self.viewers} looking, 5 s: {self.viewers_core:.2f} of a core, {self.refreshes_share:.0%} of "
            f"the refreshes due; 1: {self.one_viewer_core:.3f}",
        ]


def run(folder: Path, probes: int, viewers: int, seconds: float, say: Callable[[str], None]) -> Figures:
    """Make the records if needed and take all figures."""
    live, long = folder / "live", folder / "ten-years"
    end_ns = _minute_ns()
    fill(long, LONG_PROBES, 3653, LONG_STEP_S, end_ns=end_ns, say=say)
    shutil.rmtree(live, ignore_errors=True)
    # Last, because that takes minutes: after a silence a tick would break every line, and be larger.
    fill(live, probes, LIVE_DAYS, LIVE_STEP_S, end_ns=_minute_ns(), say=say)
    with _browser() as browser:
        say("first paint and ticks")
        with served(live, probes, LIVE_STEP_S, 20) as (address, used_s):
            paints = _paint(browser, address)
            tick_bytes, on_screen_ms, requests = _ticks(browser, address, live, probes)
            say(f"{viewers} viewers")
            with Store.open(live) as store:
                arrive = partial(_arrive, store, probes)
                single, _ = watch(requests, 1, seconds / 2, used_s, arrive)
                many, share = watch(requests, viewers, seconds, used_s, arrive)
        say("ten years")
        with served(long, LONG_PROBES, LONG_STEP_S, 20) as (address, _):
            zoom_ms, few_ms = _zooms(browser, address, end_ns)
        with served(long, LONG_PROBES, LONG_STEP_S, 2000) as (address, _):
            _, many_ms = _zooms(browser, address, end_ns)
    return Figures(
        probes, *paints, tick_bytes, on_screen_ms, zoom_ms, few_ms, many_ms, viewers, many, single, share
    )


def _minute_ns() -> int:
    return time.time_ns() // (60 * NS) * 60 * NS


@contextmanager
def _browser() -> Iterator[Any]:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        raise Refused(
            "This measures in a real browser and needs playwright: pip install 'stillroom[test]'."
        ) from None
    with sync_playwright() as playwright:
        paths = (
            os.environ.get("STILLROOM_CHROMIUM"),
            shutil.which("chromium"),
            playwright.chromium.executable_path,
        )
        path = next((p for p in paths if p and Path(p).exists()), None)
        if path is None:
            raise Refused("No Chromium found; install one or set STILLROOM_CHROMIUM to its path.")
        launched = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield launched
        launched.close()


def _paint(browser: Any, address: str) -> tuple[float, float, float, float]:
    """From the start of loading until verdicts are painted, cold and again; and until lines stand.

    By the page's clock; the first paint of content is that of the verdicts, as they are in the document.
    """
    context = browser.new_context(viewport={"width": 1280, "height": 860})
    page = context.new_page()
    shown, drawn = [], []
    for _ in range(2):
        page.goto(address, wait_until="commit")
        _until(page, "verdicts and lines of Now", f"document.querySelector('.sentence') && {DRAWN} > 0")
        drawn.append(float(page.evaluate("performance.now()")))
        shown.append(float(page.evaluate(FIRST_PAINT)))
    context.close()
    return shown[0], shown[1], drawn[0], drawn[1]


def _until(page: Any, what: str, expression: str) -> None:
    """Until an expression of the page is true; Refused says what did not come, and what the page shows."""
    until = time.monotonic() + PATIENCE_S
    while not page.evaluate(f"Boolean({expression})"):
        if time.monotonic() > until:
            shown = " ".join(page.inner_text("body").split())[:200]
            raise Refused(
                f"After {PATIENCE_S:.0f} s the page still has no {what}: measure when less runs on this "
                f"machine. It shows: {shown}"
            )
        page.wait_for_timeout(10)


def _ticks(browser: Any, address: str, live: Path, probes: int) -> tuple[int, float, list[RecordedRequest]]:
    """Bytes of a tick, ms from storing to drawing, and what one viewer asks in some seconds."""
    page = browser.new_page(viewport={"width": 1280, "height": 860})
    requests: list[RecordedRequest] = []
    sizes: list[int] = []
    page.on(
        "request", lambda r: requests.append(RecordedRequest.of(r)) if r.url.startswith(address) else None
    )
    page.on("response", lambda r: sizes.append(len(r.body())) if _is_tick(r.request) else None)
    page.goto(address)
    _until(page, "lines of Now", f"{DRAWN} > 0")
    page.wait_for_timeout(6000)
    requests.clear()
    delays = [_delay(page, live, probes) for _ in range(5)]
    page.wait_for_timeout(6000)
    page.close()
    return max(sizes), statistics.median(delays), [request for request in requests if request.repeated]


def _arrive(store: Store, probes: int) -> None:
    """A reading of one probe after the other."""
    at = time.time_ns() // 1_000_000 * 1_000_000
    store.append("made", [Row(f"P{at // (3 * NS) % probes:02d}.temperature", at, at, 20.0)])


def _is_tick(request: Any) -> bool:
    return "now-added.data" in (request.post_data or "")


def _delay(page: Any, live: Path, probes: int) -> float:
    at = time.time_ns() // 1_000_000 * 1_000_000
    with Store.open(live) as store:
        store.append("made", [Row(f"P{i:02d}.temperature", at, at, 20.0) for i in range(probes)])
    began = time.monotonic()
    _until(page, "reading that was just stored", f"{LAST} >= {at // 1_000_000}")
    return 1000 * (time.monotonic() - began)


def _zooms(browser: Any, address: str, end_ns: int) -> tuple[tuple[float, ...], float]:
    """Ms from asking to drawn for windows of ten years and less; and of one redrawing of everything."""
    page = browser.new_page(viewport={"width": 1280, "height": 860})
    page.goto(
        address
        + "/trend?from="
        + time.strftime("%Y-%m-%dT%H:%M", time.gmtime((end_ns - 3652 * DAY_NS) // NS))
    )
    _until(page, "lines of Trend", "document.querySelector('#trend-graph .scatterlayer .js-line')")
    page.wait_for_timeout(1000)
    redraw_ms = float(page.evaluate(REDRAW))
    page.evaluate(WATCH)
    times = []
    for days in (3652, 1461, 365, 30, 3652, 7, 3652):
        window = [(end_ns - days * DAY_NS) // 1_000_000, end_ns // 1_000_000]
        page.evaluate(ZOOM, window)
        _until(page, f"chart of the newest {days} days", "window.__zoom.drawn")
        page.wait_for_timeout(400)
        durations = page.evaluate("window.__zoom")
        times.append(float(durations["drawn"]) - float(durations["asked"]))
    page.close()
    return tuple(times), redraw_ms
