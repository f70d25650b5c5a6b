"""Waiting for a page. Its policy forbids to evaluate text inside it, so the asking is done from outside."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

if TYPE_CHECKING:
    from playwright.sync_api import ConsoleMessage, Page, Request

_TROUBLES: WeakKeyDictionary[Page, list[str]] = WeakKeyDictionary()

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
"""Names under which the browser may be installed."""

FLAGS = ["--no-sandbox", "--disable-background-networking", "--disable-component-update"]

PATIENCE_S = 30.0

TURN_THE_DIAL = """(turns) => {
  const { live } = window.hingeAudit, taken = [];
  for (let n = 0; n < turns; n += 1) {
    const start = performance.now();
    live.set({ twist: -20 + 3 * n });
    live.paint(["turn"]);
    taken.push(performance.now() - start);
  }
  return taken;
}"""
"""Turns the dial and returns how long the page works on each turn in milliseconds, drawing included."""


def until(page: Page, condition: str) -> None:
    """Wait until an expression holds in a page, and fail where it does not in half a minute."""
    end = time.monotonic() + PATIENCE_S
    while not page.evaluate(f"Boolean({condition})"):
        assert time.monotonic() < end, f"{condition} did not come about"
        page.wait_for_timeout(20)


def live(page: Page) -> Page:
    """Wait until a page is live and its figure stands."""
    until(page, "window.hingeAudit && window.hingeAudit.live.figure.ready")
    settle(page)
    return page


def settle(page: Page) -> None:
    """Let the page draw what is due."""
    page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def watch(page: Page, home: Path) -> None:
    """Keep what goes wrong in a page, and what it asks of anybody but the files of a folder."""
    found = _TROUBLES[page] = []

    def heard(said: ConsoleMessage) -> None:
        if said.type in ("error", "warning"):
            found.append(f"said: {said.text}")

    def asked(request: Request) -> None:
        # What a page holds in itself leaves it for nobody.
        if not request.url.startswith((home.as_uri(), "data:", "blob:")):
            found.append(f"asked: {request.url}")

    page.on("pageerror", lambda error: found.append(f"error: {error}"))
    page.on("console", heard)
    page.on("request", asked)


def troubles(page: Page) -> list[str]:
    """Return errors, warnings and requests to others, in the order in which they came."""
    return _TROUBLES[page]
