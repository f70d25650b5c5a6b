"""What people take away from the live page: offsets, pictures, paper, a link."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from audit.pipeline import Examination, suggest
from audit.sheet import read_sheet, sheet_text
from tests.browser.conftest import OpenPage, WritePage
from tests.browser.using import pick, state
from tests.browser.waiting import live, settle, troubles, until

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow


@pytest.fixture
def page(wade_page: Path, open_page: OpenPage) -> Page:
    return live(open_page(wade_page))


def test_the_address_holds_joint_frame_and_turn(
    page: Page, open_page: OpenPage, wade_page: Path
) -> None:
    assert page.url == wade_page.as_uri()
    pick(page, "R_Knee")
    page.fill("#live-degrees", "12.5")
    page.keyboard.press("Enter")
    page.evaluate("window.hingeAudit.live.set({ frame: 77 })")
    until(page, "location.hash.includes('frame=77')")
    assert page.url.endswith("#joint=R_Knee&frame=77&twist=12.5")
    again = live(open_page(wade_page, "#joint=R_Knee&frame=77&twist=12.5"))
    assert state(again) == {
        "joint": "R_Knee",
        "frame": 77,
        "twist": 12.5,
        "order": None,
        "aim": False,
    }
    spoilt = live(open_page(wade_page, "#joint=nobody&frame=-8e9&twist=NaN&order=ABC&aim=2"))
    assert state(spoilt)["frame"] == 0
    assert state(spoilt)["twist"] == 0
    assert troubles(spoilt) == []


def test_offsets_are_taken_away_as_a_sheet(page: Page, wade: Examination) -> None:
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.click("#live-copy")
    until(page, "document.getElementById('live-said').textContent === 'Offsets copied.'")
    text = page.evaluate("navigator.clipboard.readText()")
    assert text == sheet_text(suggest(wade.shot))
    with page.expect_download() as waiting:
        page.click("#live-save")
    assert waiting.value.suggested_filename == "wade_messy-offsets.csv"
    data = Path(waiting.value.path()).read_bytes()
    assert data.decode() == text
    assert len(read_sheet(data, "sheet.csv").rows) == len(wade.shot.skeleton)


def test_the_offsets_of_a_whole_rig_can_be_taken_away_instead(
    open_page: OpenPage, write_page: WritePage, wade: Examination
) -> None:
    sheet = read_sheet(b"joint,twist_offset_deg\nL_Knee,21\n", "rig.csv")
    page = live(open_page(write_page(wade.shot, "rig", offsets=sheet)))
    assert page.evaluate("window.hingeAudit.live.facts.sheet") == sheet_text(sheet)
    assert "the shots of this rig suggest together" in page.inner_text("#live-sheet")


@pytest.mark.parametrize("what", ["dial", "sweep", "curves", "figure", "glance"])
def test_every_picture_can_be_saved(page: Page, what: str) -> None:
    buttons = page.locator(f'[data-picture="{what}"] button')
    assert buttons.all_inner_texts() == ["PNG", "SVG"]
    files = []
    for place in (0, 1):
        with page.expect_download() as waiting:
            buttons.nth(place).click()
        files.append((waiting.value.suggested_filename, Path(waiting.value.path()).read_bytes()))
    (png_name, png), (svg_name, svg) = files
    assert png_name.endswith(".png")
    assert svg_name.endswith(".svg")
    assert png.startswith(b"\x89PNG")
    assert len(png) > 2000
    root = ElementTree.fromstring(svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert len(list(root.iter())) > 10


def test_it_prints_light_and_without_its_controls(open_page: OpenPage, wade_page: Path) -> None:
    page = live(open_page(wade_page, color_scheme="dark"))
    page.emulate_media(media="print")
    assert not page.locator("#live-filter").is_visible()
    assert not page.locator("#live-twist").is_visible()
    assert page.locator("#live-curves").is_visible()
    assert page.pdf().startswith(b"%PDF")
    assert troubles(page) == []


def test_light_and_dark_can_be_chosen(page: Page) -> None:
    def paper() -> str:
        found: str = page.evaluate("getComputedStyle(document.body).backgroundColor")
        return found

    light = paper()
    page.select_option("#live-theme", "dark")
    settle(page)
    assert paper() != light
    page.select_option("#live-theme", "")
    assert paper() == light
