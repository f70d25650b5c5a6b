"""Long shots: the size of the page, the time it takes to open, the time from the dial to the picture."""

from __future__ import annotations

import re
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from audit.model import Shot
from audit.pipeline import examine
from audit.report.live import data
from audit.report.page import shot_page
from audit.report.views import shot_view
from tests.benchmarks.figures import made_shot
from tests.browser.conftest import OpenPage, WritePage
from tests.browser.waiting import TURN_THE_DIAL, live, settle, troubles, until

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow

MOST_MEGABYTES, MOST_SECONDS_TO_OPEN, MOST_MS_OF_WORK = 15.0, 3.0, 100.0


@pytest.fixture(scope="module")
def long_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("long") / "shot"
    folder.mkdir()
    path = folder / "report.html"
    path.write_text(
        shot_page(shot_view(examine(made_shot(200, 10_000, 100))), live=True), encoding="utf-8"
    )
    return path


def opening_s(open_page: OpenPage, path: Path) -> tuple[Page, float]:
    """Return a page, and how long it took from the call until its curves were drawn."""
    start = time.perf_counter()
    page = open_page(path)
    until(page, "window.hingeAudit && window.hingeAudit.live.present")
    return page, time.perf_counter() - start


def test_a_long_shot_stays_light(long_page: Path, open_page: OpenPage) -> None:
    assert long_page.stat().st_size < MOST_MEGABYTES * 1e6
    times = []
    for _ in range(3):
        page, taken = opening_s(open_page, long_page)
        times.append(taken)
    assert statistics.median(times) < MOST_SECONDS_TO_OPEN
    live(page)
    assert statistics.median(page.evaluate(TURN_THE_DIAL, 15)) < MOST_MS_OF_WORK
    assert troubles(page) == []
    # What is drawn of 10,000 frames is what can be seen: two points for each point across, and the extremes.
    points = page.evaluate(
        """() => {
          const { live } = window.hingeAudit;
          const svg = live.pictures.curves.svg();
          return Math.max(...[...svg.matchAll(/ d="([^"]*)"/g)].map((each) => each[1].split("L").length));
        }"""
    )
    width = page.evaluate("window.hingeAudit.live.pictures.curves.canvas.clientWidth")
    assert width / 2 < points <= 2 * width + 4


def test_a_drawn_curve_keeps_its_extremes(long_page: Path, open_page: OpenPage) -> None:
    page = live(open_page(long_page))
    curve, svg, (low, high) = page.evaluate(
        """() => {
          const { live } = window.hingeAudit;
          live.set({ joint: live.joints[3], twist: 0 });
          live.paint(["turn"]);
          return [[...live.present.curves[0]], live.pictures.curves.svg(), live.limits];
        }"""
    )
    paths = [each for each in re.findall(r' d="([^"]*)"', svg) if each.count("L") > 300]
    height = page.evaluate("window.hingeAudit.live.pictures.curves.canvas.clientHeight")
    top, bottom = 26.0, height - 40.0
    expected = [
        bottom - (value - low) / (high - low) * (bottom - top) for value in (max(curve), min(curve))
    ]
    drawn = [
        [float(point.split()[1]) for point in re.findall(r"[\d.-]+ [\d.-]+", path)]
        for path in paths
    ]
    assert any(
        abs(min(each) - expected[0]) < 0.11 and abs(max(each) - expected[1]) < 0.11
        for each in drawn
    )


def test_a_coarse_copy_says_so_and_keeps_to_what_it_says(
    open_page: OpenPage,
    write_page: WritePage,
    make_star: Callable[..., Shot],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shot = make_star(frames=900)
    monkeypatch.setattr(data, "MOST_BYTES", 1900)
    page = live(open_page(write_page(shot, "coarse")))
    assert page.evaluate("window.hingeAudit.live.facts.leftOut") > 0
    error = page.evaluate("window.hingeAudit.live.facts.errorDeg")
    assert 0.001 < error < 1.0
    examined = examine(shot)
    joint = shot.skeleton.names.index("L_Knee")
    page.locator("#live-rows button").get_by_text("L_Knee", exact=True).click()
    settle(page)
    row = examined.document["joints"][joint]
    # As they are and at the suggestion the figures are those of the results; in between they say that they
    # are not.
    assert page.inner_text("#live-keys") == str(row["edit_keys"])
    assert "≈" not in page.inner_text("#live-source")
    page.fill("#live-degrees", "11")
    page.keyboard.press("Enter")
    settle(page)
    assert page.inner_text("#live-keys").startswith("≈ ")
    assert ", about " in page.inner_text("#live-outcome")
    said = page.inner_text("#live-source")
    assert "from a copy of the rotations that is within" in said
    assert "left out" in said
    assert f"the shot has {row['edit_keys']}" in said
    curves, times = page.evaluate(
        "() => { const { curves, times } = window.hingeAudit.live.turned(0);"
        " return [curves.map((row) => [...row]), [...times]]; }"
    )
    true = examined.curves(joint).now
    clock = shot.times_s - shot.times_s[0]
    for own, other in zip(curves, true, strict=True):
        # A bend of 70° in YZX leaves the middle channel well clear of its lock, so little is magnified.
        assert np.max(np.abs(np.interp(clock, times, own) - other)) < 4.0 * error
