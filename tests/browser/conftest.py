"""A browser for the tests of the live page: the Chromium of the machine, driven without a network.

Where there is none, or the library that drives it is not installed, the tests are skipped and say so.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from audit.demo import demo_shots
from audit.model import Shot
from audit.pipeline import Examination, examine
from audit.report import pictures, write_report
from tests.browser.waiting import BROWSERS, FLAGS, watch

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

OpenPage = Callable[..., "Page"]
WritePage = Callable[..., Path]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    found = [path for name in BROWSERS if (path := shutil.which(name))]
    if not found:
        pytest.skip("no Chromium on this machine")
    with sync_api.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=found[0], args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """Open a page from disk; :func:`tests.browser.waiting.troubles` says what goes wrong in it."""
    opened: list[Any] = []

    def visit(path: Path, address: str = "", **context: Any) -> Page:
        settings: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}} | context
        room = browser.new_context(**settings)
        opened.append(room)
        page = room.new_page()
        watch(page, path.parent.parent)
        page.goto(path.as_uri() + address)
        return page

    yield visit
    for room in opened:
        room.close()


@pytest.fixture(scope="session")
def write_page(tmp_path_factory: pytest.TempPathFactory) -> WritePage:
    """Report on a shot and return the page."""

    def write(shot: Shot, name: str, **wishes: Any) -> Path:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(pictures, "DOTS_PER_INCH", 20)
            return write_report(examine(shot), tmp_path_factory.mktemp("live") / name, **wishes)

    return write


@pytest.fixture(scope="session")
def wade() -> Examination:
    return examine(demo_shots()["wade_messy.bvh"])


@pytest.fixture(scope="session")
def wade_page(wade: Examination, write_page: WritePage) -> Path:
    return write_page(wade.shot, "wade_messy")


@pytest.fixture(scope="session")
def make_star() -> Callable[..., Shot]:
    """Make shots with one fault a joint, as the tests of the static page use them."""
    from tests.report.conftest import star_shot

    return star_shot
