"""The live page is safe: names stay text, nothing but its own script runs, nothing leaves it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from audit.model import Shot
from audit.pipeline import Examination
from audit.report import write_index
from audit.report.live.script import SHARED
from tests.browser.conftest import OpenPage, WritePage
from tests.browser.using import pick, state
from tests.browser.waiting import live, settle, troubles

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow


@pytest.fixture
def page(wade_page: Path, open_page: OpenPage) -> Page:
    return live(open_page(wade_page))


HOSTILE = [
    "</script><script>window.bad = 1</script>",
    "<img src=x onerror='window.bad = 1'>",
    "\u202egnol\u200f and turned",
    "x" * 200,
    "&joint=other#frame=9",
    "two\nlines\x00and a null",
    "half a pair \ud800",
]


def test_hostile_names_stay_text(
    open_page: OpenPage, write_page: WritePage, make_star: Callable[..., Shot]
) -> None:
    shot = make_star(HOSTILE, file="x/<b>&\"'.bvh")
    path = write_page(shot, "hostile")
    page = live(open_page(path))
    shown = page.locator("#live-rows th").all_inner_texts()
    assert {*HOSTILE[:2], HOSTILE[3], HOSTILE[4]} <= set(shown)
    assert "two⟨U+000A⟩lines⟨U+0000⟩and a null" in shown
    for place in range(len(shown)):
        page.locator("#live-rows th button").nth(place).click()
        settle(page)
        page.evaluate("window.hingeAudit.live.write()")
        for picture in ("dial", "curves", "figure"):
            svg = page.evaluate(f"window.hingeAudit.live.pictures.{picture}.svg()")
            assert "<img" not in svg
            assert "<script" not in svg
    address = page.evaluate("location.hash")
    chosen = state(page)["joint"]
    again = live(open_page(path, address))
    assert state(again)["joint"] == chosen
    assert page.evaluate("window.bad") is None
    assert not page.locator("#live img, #live script").count()
    assert troubles(page) == []


def test_the_policy_lets_nothing_else_run(page: Page) -> None:
    page.evaluate(
        """() => {
          const script = document.createElement("script");
          script.textContent = "window.bad = 1";
          document.body.append(script);
          const image = document.createElement("div");
          image.innerHTML = '<img src="data:," onerror="window.bad = 2">';
          document.body.append(image);
        }"""
    )
    page.wait_for_timeout(200)
    assert page.evaluate("window.bad") is None
    said = [each for each in troubles(page) if "Content Security Policy" in each]
    assert len(said) == 2
    assert (
        page.evaluate("fetch('data:text/plain,x').then(() => 'went', () => 'refused')") == "refused"
    )


def test_no_request_leaves_the_page(page: Page) -> None:
    page.click("#live-suggested")
    page.click("#live-play")
    page.wait_for_timeout(200)
    page.click("#live-play")
    assert page.evaluate("performance.getEntriesByType('resource').length") == 0
    assert troubles(page) == []


def test_without_scripts_the_page_is_whole(open_page: OpenPage, wade_page: Path) -> None:
    page = open_page(wade_page, java_script_enabled=False)
    assert not page.locator("#live").is_visible()
    assert page.locator("article.card").nth(1).is_visible()
    assert page.get_by_role("heading", name="All joints").is_visible()
    assert not page.get_by_role("link", name="Turn and see").is_visible()


def test_several_pages_share_one_script(
    open_page: OpenPage, write_page: WritePage, wade: Examination
) -> None:
    path = write_page(wade.shot, "shared", shared_script=True)
    still = open_page(path)
    still.wait_for_timeout(200)
    assert not still.locator("#live").is_visible()  # nobody has written the script yet
    alone = write_page(wade.shot, "alone")
    write_index([("shared", wade.document)], path.parent.parent, shared_script=True)
    assert (path.parent.parent / SHARED).is_file()
    assert path.stat().st_size < alone.stat().st_size - 40_000
    page = live(open_page(path))
    pick(page, "L_Knee")
    assert page.inner_text("#live-joint").startswith("L_Knee")
    assert troubles(page) == []
