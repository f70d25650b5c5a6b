"""The live page, used as people use it: dial, list, figure and glance; with mouse, finger and keyboard."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from audit.model import Shot
from tests.browser.conftest import OpenPage, WritePage
from tests.browser.using import figures, figures_of, on_dial, pick, rows_of, state
from tests.browser.waiting import live, settle, troubles, until

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow


@pytest.fixture
def page(wade_page: Path, open_page: OpenPage) -> Page:
    return live(open_page(wade_page))


def test_dragging_the_dial_to_the_suggestion_leaves_one_moving_curve(
    page: Page, wade_page: Path
) -> None:
    row = rows_of(wade_page)["L_Knee"]
    pick(page, "L_Knee")
    assert figures(page) == figures_of(row)
    assert row["moving_channels"] == 3
    page.locator("#live-dial").scroll_into_view_if_needed()
    page.mouse.move(*on_dial(page, 0.0))
    page.mouse.down()
    keys = []
    for share in (0.2, 0.4, 0.6, 0.8, 1.0):
        page.mouse.move(*on_dial(page, share * row["twist_offset_deg"]))
        settle(page)
        keys.append(figures(page)[2])
    page.mouse.up()
    assert keys[-1] < keys[0] < row["edit_keys"]
    then = row["after_twist"]
    assert state(page)["twist"] == row["twist_offset_deg"]
    assert figures(page)[0] == 1
    assert figures(page) == figures_of(then)
    ranges = page.evaluate("window.hingeAudit.live.present.cost.ranges")
    assert sorted(ranges)[1] < 1.0 < sorted(ranges)[2]
    assert "1 moving curve," in page.inner_text("#live-outcome")
    assert troubles(page) == []


def test_the_numbers_of_every_joint_are_those_of_the_results(page: Page, wade_page: Path) -> None:
    for name, row in rows_of(wade_page).items():
        pick(page, name)
        if row["channel_spread"] is None:
            assert page.inner_text("#live-spread") == "–"
            continue
        assert figures(page) == figures(page, "-now") == figures_of(row)
        if row["twist_offset_deg"] is None:
            assert page.locator("#live-suggested").is_disabled()
            assert row["no_offset_because"] in page.inner_text("#live-dial-note")
            continue
        page.click("#live-suggested")
        settle(page)
        assert figures(page) == figures(page, "-then")
        assert page.inner_text("#live-source") == "Here the figures are those of the results."
        stages = [row["after_twist"], row["after_full"]]
        assert figures(page)[2] in [stage["edit_keys"] for stage in stages]


def test_the_first_joint_is_the_one_to_which_a_turn_saves_most(page: Page, wade_page: Path) -> None:
    rows = rows_of(wade_page)
    saved = {
        name: row["edit_keys"] - row["after_twist"]["edit_keys"]
        for name, row in rows.items()
        if row["after_twist"]
    }
    assert state(page)["joint"] == max(saved, key=lambda name: saved[name])


def test_the_rotation_order_changes_the_curves(page: Page, wade_page: Path) -> None:
    row = rows_of(wade_page)["Neck2"]
    pick(page, "Neck2")
    page.select_option("#live-order", row["advised_order"])
    settle(page)
    then = row["after_full"]
    assert figures(page)[0] == then["moving_channels"]
    assert figures(page)[2] == pytest.approx(then["edit_keys"], abs=2)
    page.click("#live-zero")
    settle(page)
    assert figures(page)[2] == row["edit_keys"]
    page.click("#live-suggested")
    settle(page)
    assert state(page)["order"] == row["advised_order"]
    assert figures(page)[2] == then["edit_keys"]


def test_an_aim_comes_before_the_turn(
    open_page: OpenPage, write_page: WritePage, make_star: Callable[..., Shot]
) -> None:
    path = write_page(make_star(), "star")
    page = live(open_page(path))
    row = rows_of(path)["L_Elbow"]
    pick(page, "L_Elbow")
    assert page.locator("#live-aim-label").is_visible()
    page.click("#live-suggested")
    settle(page)
    assert page.locator("#live-aim").is_checked()
    then = row["after_full"]
    assert figures(page) == figures_of(then)
    # The page's own maths comes to the same as the results that it quotes.
    cost = page.evaluate("window.hingeAudit.live.present.cost")
    assert cost["editKeys"] == then["edit_keys"]
    assert cost["channelSpread"] == pytest.approx(then["channel_spread"], abs=1e-5)
    pick(page, "L_Knee")
    assert not page.locator("#live-aim-label").is_visible()


def test_the_list_sorts_searches_and_filters(page: Page, wade_page: Path) -> None:
    rows = rows_of(wade_page)

    def names() -> list[str]:
        found: list[str] = page.locator("#live-rows th").all_inner_texts()
        return found

    assert len(names()) == len(rows)
    page.get_by_role("button", name="Edit keys", exact=True).click()
    keys = [rows[name]["edit_keys"] for name in names()]
    assert keys == sorted(keys, reverse=True)
    page.get_by_role("button", name="Joint", exact=True).click()
    assert names() == sorted(rows, key=str.lower)
    assert page.locator("#live-heads th").first.get_attribute("aria-sort") == "ascending"
    page.get_by_role("button", name="Joint", exact=True).click()
    assert names() == sorted(rows, key=str.lower, reverse=True)
    page.fill("#live-search", "knee")
    assert set(names()) == {"L_Knee", "R_Knee"}
    assert page.inner_text("#live-count") == "2 of 40 joints"
    page.fill("#live-search", "")
    page.select_option("#live-check", "twist")
    page.select_option("#live-severity", "fix")
    assert set(names()) == {
        name
        for name, row in rows.items()
        if any(each["check"] == "twist" and each["severity"] == "fix" for each in row["findings"])
    }
    page.fill("#live-search", "nothing is called so")
    assert page.locator("#live-nobody").is_visible()
    page.fill("#live-search", "")
    page.select_option("#live-check", "")
    page.select_option("#live-severity", "")
    page.select_option("#live-kind", "free")
    assert set(names()) == {name for name, row in rows.items() if row["kind"] == "free"}


def test_everything_can_be_done_with_the_keyboard(page: Page, wade_page: Path) -> None:
    row = rows_of(wade_page)["L_Knee"]
    page.locator("#live-search").focus()
    page.keyboard.type("l_")
    page.keyboard.press("ArrowDown")
    for _ in range(30):
        if state(page)["joint"] == "L_Knee":
            break
        page.keyboard.press("ArrowDown")
    assert state(page)["joint"] == "L_Knee"
    assert page.evaluate("document.activeElement.textContent") == "L_Knee"
    # On with Tab: through the rest of the list to the slider, turn, and on to the frames and the figure.
    reached = walk_to(page, "live-twist")
    assert reached
    for _ in range(6):
        page.keyboard.press("PageUp")
    for _ in range(30):
        page.keyboard.press("ArrowRight")
    settle(page)
    assert state(page)["twist"] == row["twist_offset_deg"]
    assert figures(page)[0] == 1
    assert "1 moving curve" in (page.get_attribute("#live-twist", "aria-valuetext") or "")
    assert walk_to(page, "live-frame")
    page.keyboard.press("End")
    settle(page)
    assert state(page)["frame"] == page.evaluate("window.hingeAudit.live.frames.length") - 1
    assert walk_to(page, "live-stage")
    before = page.evaluate(
        "[window.hingeAudit.live.figure.yaw, window.hingeAudit.live.figure.zoom]"
    )
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("+")
    after = page.evaluate("[window.hingeAudit.live.figure.yaw, window.hingeAudit.live.figure.zoom]")
    assert after[0] > before[0]
    assert after[1] > before[1]
    assert walk_to(page, "live-copy")
    assert troubles(page) == []


def walk_to(page: Page, identity: str) -> bool:
    """Press Tab until an element has the focus."""
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == identity:
            return True
    return False


def test_a_click_in_the_glance_leads_to_joint_and_frame(page: Page) -> None:
    names = page.locator("#live-glance-names button bdi").all_inner_texts()
    canvas = page.locator("canvas#live-glance")
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    canvas.click(position={"x": box["width"] * 0.5, "y": 26 * 3 + 10})
    settle(page)
    assert state(page)["joint"] == names[3]
    frames = page.evaluate("window.hingeAudit.live.frames.length")
    assert state(page)["frame"] == pytest.approx(0.5 * (frames - 1), abs=2)
    page.select_option("#live-what", "margin")
    first = page.locator("#live-glance-names button").first
    assert "margin" in (first.get_attribute("title") or "").lower()
    first.click()
    settle(page)
    assert state(page)["joint"] == first.locator("bdi").inner_text()


def test_it_plays_and_stops(page: Page) -> None:
    page.click("#live-play")
    until(page, "window.hingeAudit.live.state.frame > 5")
    page.click("#live-play")
    settle(page)
    frame = state(page)["frame"]
    page.wait_for_timeout(200)
    assert state(page)["frame"] == frame
    assert page.inner_text("#live-readout").startswith(f"Frame {frame},")
    assert troubles(page) == []


def test_nothing_moves_by_itself(open_page: OpenPage, wade_page: Path) -> None:
    page = live(open_page(wade_page, reduced_motion="reduce"))
    before = page.screenshot()
    page.wait_for_timeout(400)
    assert page.screenshot() == before


def test_a_finger_turns_the_dial(open_page: OpenPage, wade_page: Path) -> None:
    page = live(
        open_page(
            wade_page, "#joint=L_Knee", has_touch=True, viewport={"width": 800, "height": 1100}
        )
    )
    page.locator("#live-dial").scroll_into_view_if_needed()
    box = page.locator("#live-dial").bounding_box()
    assert box is not None
    angle = np.deg2rad(33.0)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.touchscreen.tap(float(x + 60.0 * np.cos(angle)), float(y + 60.0 * np.sin(angle)))
    settle(page)
    assert state(page)["twist"] == pytest.approx(33.0, abs=0.01)
    assert figures(page)[0] == 1
    assert troubles(page) == []


def test_a_joint_without_a_limb_stops_the_spread_of_another(page: Page) -> None:
    """What was worked out of a spread before another joint was chosen is not taken for the whole."""
    page.evaluate(
        """() => {
          const { live } = window.hingeAudit;
          const knee = live.joints.find((each) => each.name === "R_Toe");
          live.set({ joint: knee });
          live.paint(["turn"]);
          live.sweep.clear();
          live.swept = null;
          live.paint(["turn"]);
        }"""
    )
    until(page, "window.hingeAudit.live.sweep.least")
    points = page.evaluate("window.hingeAudit.live.sweep.points.map((each) => each.turn)")
    assert points == sorted(points)
    assert len(points) > 70
    assert (points[0], points[-1]) == (-90, 90)
    least = page.evaluate("window.hingeAudit.live.sweep.least")
    assert least["turn"] == pytest.approx(-21.0, abs=0.5)
    assert least["spread"] < 1.05


def test_a_card_leads_to_the_live_part(page: Page) -> None:
    card = page.locator("article.card[id^=joint-]").nth(4)
    name = card.locator("h3 bdi").inner_text()
    card.get_by_role("button").click()
    settle(page)
    assert state(page)["joint"] == name
    assert page.evaluate("document.activeElement.id") == "live-twist"
