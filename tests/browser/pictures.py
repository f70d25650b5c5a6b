"""Take the five pictures of the tutorial and of ``docs/report.md``: ``python -m tests.browser.pictures``.

They show the live page of the demo's messy rig. Look at each before you commit it.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from audit.demo import demo_shots
from audit.pipeline import examine
from audit.report.page import shot_page
from audit.report.views import shot_view
from tests.browser.waiting import BROWSERS, FLAGS, live, settle

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "report"

SHOT, JOINT, FRAME = "wade_messy.bvh", "L_Knee", 40

HALF_WAY_DEG = 17.0


def take(page: Page) -> None:
    """Save the pictures, in the order in which the tutorial tells its story."""
    FOLDER.mkdir(exist_ok=True)
    page.locator(".live-choose").screenshot(path=FOLDER / "1-list.png")
    page.locator(".live-bench").screenshot(path=FOLDER / "2-as-it-is.png")
    page.fill("#live-degrees", str(HALF_WAY_DEG))
    page.keyboard.press("Enter")
    settle(page)
    page.locator(".live-see").screenshot(path=FOLDER / "3-half-way.png")
    page.click("#live-suggested")
    settle(page)
    page.evaluate("document.activeElement.blur()")
    page.mouse.move(0, 0)
    page.locator(".live-bench").screenshot(path=FOLDER / "4-turned.png")
    page.locator(".live-whole").screenshot(path=FOLDER / "5-glance.png")


def main() -> None:
    """Make the page, open it at the joint, and take the pictures."""
    found = next(filter(None, map(shutil.which, BROWSERS)))
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        path = Path(folder) / "report.html"
        path.write_text(
            shot_page(shot_view(examine(demo_shots()[SHOT])), live=True), encoding="utf-8"
        )
        browser = driver.chromium.launch(executable_path=found, args=FLAGS)
        page = browser.new_page(viewport={"width": 1180, "height": 900}, color_scheme="light")
        page.goto(f"{path.as_uri()}#joint={JOINT}&frame={FRAME}")
        live(page)
        page.wait_for_timeout(1500)  # until the spread has been worked out for all turns
        take(page)
        browser.close()


if __name__ == "__main__":
    main()
