"""axe-core's rules of WCAG 2.2 A and AA on the pages: the live one in every state that looks different.

The checker comes from the npm registry through the ordinary client, once a run; without npm, or without a
registry, the tests are skipped and say so.
"""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest

from audit.compare import compare
from audit.demo import demo_shots
from audit.pipeline import Examination, examine
from audit.report.comparison_page import comparison_index, comparison_page
from audit.report.comparison_view import comparison_view
from audit.report.page import index_page
from audit.report.rest_page import rest_index, rest_page, rest_view
from audit.resting import examine_rest
from tests.browser.conftest import OpenPage
from tests.browser.waiting import live, settle

pytestmark = pytest.mark.slow

PACKAGE = "axe-core@4.14.1"

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def checker(tmp_path_factory: pytest.TempPathFactory) -> str:
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed")
    folder = tmp_path_factory.mktemp("axe")
    command = [npm, "pack", PACKAGE, "--silent", "--prefer-offline"]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    packed = list(folder.glob("axe-core-*.tgz"))
    if done.returncode or not packed:
        pytest.skip(f"npm could not get {PACKAGE}")
    with tarfile.open(packed[0]) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode("utf-8")


def faults(page: Any, checker: str) -> list[str]:
    """Return what axe finds, a line each."""
    page.evaluate(checker)
    found = page.evaluate(
        "(tags) => window.axe.run(document, { runOnly: { type: 'tag', values: tags } })", TAGS
    )
    assert len(found["passes"]) > 20
    return [
        f"{each['impact']} {each['id']}: {node['html'][:160]} {node['failureSummary'][:200]}"
        for each in found["violations"]
        for node in each["nodes"][:3]
    ]


@pytest.mark.parametrize(
    ("width", "scheme"), [(800, "dark"), (1280, "light"), (1280, "dark"), (2560, "light")]
)
def test_axe_finds_nothing(
    open_page: OpenPage, wade_page: Path, checker: str, scheme: str, width: int
) -> None:
    page = live(open_page(wade_page, color_scheme=scheme, viewport={"width": width, "height": 900}))
    assert faults(page, checker) == []
    page.click("#live-suggested")
    settle(page)
    page.fill("#live-search", "nobody")
    page.select_option("#live-what", "margin")
    assert faults(page, checker) == []
    page.fill("#live-search", "Root")
    page.fill("#live-search", "Pelvis")
    page.locator("#live-rows button").first.click()
    settle(page)
    assert page.locator("#live-suggested").is_disabled()
    assert faults(page, checker) == []


@pytest.fixture(scope="module")
def other_pages(wade: Examination, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages without a live part: the index over shots, comparisons and rest poses, and theirs."""
    clean = examine(demo_shots()["wade_clean.bvh"])
    compared, rest = compare(wade, clean), examine_rest(wade.shot)
    html = {
        "index": index_page([("messy", wade.document), ("clean", clean.document)]),
        "comparison": comparison_page(comparison_view(compared)),
        "comparisons": comparison_index([("wade", compared.document)]),
        "rest": rest_page(rest_view(rest)),
        "rests": rest_index([("wade", "wade-rest", rest.document)]),
    }
    folder = tmp_path_factory.mktemp("others")
    paths = {name: folder / f"{name}.html" for name in html}
    for name, path in paths.items():
        path.write_text(html[name], encoding="utf-8")
    return paths


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["index", "comparison", "comparisons", "rest", "rests"])
def test_axe_finds_nothing_on_the_other_pages(
    open_page: OpenPage, other_pages: dict[str, Path], checker: str, name: str, scheme: str
) -> None:
    page = open_page(other_pages[name], color_scheme=scheme)
    assert faults(page, checker) == []


def test_axe_finds_landmarks_of_one_name(
    open_page: OpenPage, other_pages: dict[str, Path], checker: str
) -> None:
    page = open_page(other_pages["index"])
    page.evaluate("document.querySelector('.scroll').setAttribute('role', 'region')")
    assert any("landmark-unique" in each for each in faults(page, checker))


def test_axe_finds_a_fault_where_there_is_one(
    open_page: OpenPage, wade_page: Path, checker: str
) -> None:
    page = live(open_page(wade_page))
    page.evaluate(
        "document.querySelector('#live-theme').parentElement.replaceWith(document.createElement('select'))"
    )
    assert any("select-name" in each for each in faults(page, checker))


def test_targets_are_large_enough_to_hit(open_page: OpenPage, wade_page: Path) -> None:
    """WCAG 2.2, 2.5.8: 24 by 24 CSS pixels, for everything in the live part."""
    page = live(open_page(wade_page))
    sizes = page.evaluate(
        """() => [...document.querySelectorAll("#live button, #live select, #live input")]
          .filter((each) => each.offsetWidth && !["checkbox", "range"].includes(each.type))
          .map((each) => [each.id || each.textContent, each.offsetWidth, each.offsetHeight])"""
    )
    assert len(sizes) > 50
    assert [each for each in sizes if each[1] < 24 or each[2] < 24] == []


@pytest.mark.parametrize("width", [800, 1280, 1888])
def test_the_joint_list_holds_its_last_column(
    open_page: OpenPage, wade_page: Path, width: int
) -> None:
    page = live(open_page(wade_page, viewport={"width": width, "height": 900}))
    held, room = page.evaluate(
        "() => { const list = document.querySelector('#live-list');"
        " return [list.scrollWidth, list.clientWidth]; }"
    )
    assert held <= room
    # Names of joints stay on one line.
    heights = page.evaluate(
        "() => [...document.querySelectorAll('#live-rows th button')].map((each) => each.offsetHeight)"
    )
    assert len(heights) > 20
    assert max(heights) < 1.5 * min(heights)


def test_a_narrow_window_with_large_text_holds_everything(
    open_page: OpenPage, wade_page: Path
) -> None:
    """WCAG 2.2, 1.4.10: no scrolling in two directions at 320 CSS pixels, but for tables and drawings."""
    page = live(open_page(wade_page, viewport={"width": 320, "height": 640}))
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
