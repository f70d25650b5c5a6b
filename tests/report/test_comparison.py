"""The page of a comparison, its folder and its table: whole, alone, safe, and true to the figures."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from audit.compare import Comparison, compare
from audit.errors import OutputError
from audit.model import Shot, Track, Tracks
from audit.pipeline import examine
from audit.report import comparison_view as views
from audit.report import comparison_words as words
from audit.report.comparison_folder import write_comparison, write_comparison_index
from audit.report.comparison_page import comparison_index, comparison_page
from audit.report.comparison_terminal import comparison_table
from audit.report.comparison_view import comparison_view
from audit.report.terminal import display_width
from audit.report.words import plain
from audit.wording import degrees
from tests.report.test_page import HOSTILE, Page
from tests.unit.compare.making import cut_walker, turn, turned, walker, with_rotations

KNEE, TIPPED = 2, 5
FRAMES = 61


def compared(before: Shot, after: Shot) -> Comparison:
    return compare(examine(before), examine(after))


def messy(shot: Shot) -> Shot:
    """Return the walker with one knee turned about its limb, the other tipped about its own hinge axis."""
    return turned(shot, {KNEE: turn((0.0, -1.0, 0.0), -33.0), TIPPED: turn((1.0, 0.0, 0.0), 12.0)})


@pytest.fixture(scope="module")
def cleaned() -> Comparison:
    return compared(messy(walker()), walker())


@pytest.fixture(scope="module")
def page(cleaned: Comparison) -> Page:
    return Page(comparison_page(comparison_view(cleaned)))


def test_every_tag_is_closed_and_every_link_leads_somewhere(page: Page) -> None:
    assert page.open == []
    identities = page.values("id")
    assert len(identities) == len(set(identities))
    links = page.values("href")
    assert len(links) > 5
    assert {link[1:] for link in links} <= set(identities)
    assert set(page.values("aria-labelledby")) <= set(identities)
    page.assert_landmarks_differ()
    assert page.headings.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False))


def test_it_stands_alone(cleaned: Comparison, page: Page) -> None:
    html = comparison_page(comparison_view(cleaned))
    assert "//" not in "".join(page.values("src") + page.values("href"))
    assert "http" not in html.replace("http-equiv", "")
    assert not {"script", "link", "iframe", "object", "img"} & {tag for tag, _ in page.tags}
    drawings = [each for each in page.all("svg") if each.get("aria-hidden") != "true"]
    assert len(drawings) > 4
    assert all(each["role"] == "img" and each["aria-label"] for each in drawings)


def test_the_top_says_whether_the_motion_is_the_same_and_what_got_cleaner(
    cleaned: Comparison, page: Page
) -> None:
    summary = cleaned.document["summary"]
    assert summary["cleaner"] >= 1
    assert summary["messier"] == 0
    noun = "joint" if summary["cleaner"] == 1 else "joints"
    assert f"The same motion. {summary['cleaner']} {noun} got cleaner, none messier." in page.text
    assert (
        f"{summary['edit_keys_before']:,} → {summary['edit_keys_after']:,} edit keys" in page.text
    )
    assert "The axes of 2 joints are turned." in page.text


def test_numbers_are_those_of_the_comparison(cleaned: Comparison, page: Page) -> None:
    knee = cleaned.document["joints"][KNEE]
    before, after = knee["before"], knee["after"]
    assert knee["axes"]["twist_deg"] == pytest.approx(33.0, abs=1e-5)
    assert f"The axes are turned by {degrees(33.0)} about the limb" in page.text
    assert "33.0° clockwise, seen from the joint towards its child." in page.text
    assert "The axes are swung by 12.0° off the limb" in page.text
    for side in (before, after):
        assert (
            f"{'1 moving curve' if side['moving_channels'] == 1 else '3 moving curves'}, "
            f"{side['edit_keys']} edit keys, spread {side['channel_spread']:.2f}"
        ) in page.text
    assert words.offsets(knee) in page.text
    assert words.axes_in_short(knee) == "+33.0°"
    assert words.axes_in_short(cleaned.document["joints"][TIPPED]) == "off 12.0°"
    assert words.axes_in_short(cleaned.document["joints"][0]) == "as before"
    assert page.text.count("Along the limb, before") == page.text.count("Along the limb, after") > 0


def test_cards_come_with_the_curves_of_both_shots(cleaned: Comparison) -> None:
    view = comparison_view(cleaned)
    card = next(card for card in view.cards if card.place == KNEE)
    np.testing.assert_allclose(card.before.stage.curves, cleaned.before.curves(KNEE).now)
    np.testing.assert_allclose(card.after.stage.curves, cleaned.after.curves(KNEE).now)
    for each in view.cards:
        for side in (each.before, each.after):
            assert each.low <= side.stage.curves.min()
            assert side.stage.curves.max() <= each.high
    assert view.changed[0] == KNEE


def test_what_got_messier_stands_first() -> None:
    turns = {KNEE: turn((0.0, -1.0, 0.0), 30.0)}
    other = turned(messy(walker()), {KNEE: turn((0.0, -1.0, 0.0), 33.0), TIPPED: turns[KNEE]})
    comparison = compared(messy(walker()), other)
    verdicts = [
        comparison.document["joints"][place]["verdict"]
        for place in comparison_view(comparison).changed
    ]
    assert verdicts[0] == "messier"
    assert "cleaner" in verdicts[1:]
    assert comparison.is_worse
    assert "1 joint got cleaner, 1 messier." in plain(words.title(comparison.document))


def test_another_motion_is_said_with_joint_and_size() -> None:
    shot = walker()
    extra = np.repeat(turn((1.0, 0.0, 0.0), 5.0)[:, None], FRAMES, axis=1)
    document = compared(shot, with_rotations(shot, KNEE, extra)).document
    said = plain(words.title(document))
    share = document["motion"]["share_of_height"]
    assert said.startswith(
        f"Not the same motion: L_Foot is up to {words.percent(share)} of the height away."
    )
    assert any(
        note.startswith("1 joint turns otherwise than before") for note in words.notes(document)
    )
    leaf = np.repeat(turn((0.0, 1.0, 0.0), 5.0)[:, None], FRAMES, axis=1)
    bare = replace(
        shot,
        skeleton=replace(
            shot.skeleton, tip_joints=np.zeros(0, dtype=np.int64), tip_offsets=np.zeros((0, 3))
        ),
    )
    said = plain(words.title(compared(bare, with_rotations(bare, 8, leaf)).document))
    assert said.startswith(
        "Not the same motion: the joints are in place, but Head is turned up to 5.00° otherwise."
    )


def test_what_has_to_be_known_beside_it() -> None:
    scale = compared(walker(), walker(stretch=100.0)).document
    assert plain(words.title(scale)).startswith("The same motion, but 100 times as large.")
    assert any("another unit of length" in note for note in words.notes(scale))
    short = compared(walker(), walker(frames=31, seconds=1.0)).document
    assert any(
        "different length: 61 frames (2.00 s) before, 31 frames (1.00 s)" in note
        for note in words.notes(short)
    )
    finer = compared(walker(), walker(frames=121)).document
    assert any("different frames over the same time" in note for note in words.notes(finer))
    late = compared(walker(), cut_walker(20, 40)).document
    assert any("by their clocks" in note for note in words.notes(late))
    unknown = compared(walker(), walker(frames=1)).document
    assert "cannot be told" in plain(words.title(unknown))
    for document in (scale, short, finer, late, unknown):
        assert comparison_table(document)


def test_nothing_changed() -> None:
    same = compared(walker(), walker())
    calm = Page(comparison_page(comparison_view(same)))
    assert calm.open == []
    assert "The same motion. No joint got cleaner or messier." in calm.text
    assert "Nothing changed on the 9 joints that both have." in calm.text
    assert not calm.all("article")
    assert "No change on 9 joints." in comparison_table(same.document)


def test_hostile_names_stay_text(make_shot: Callable[..., Shot]) -> None:
    before = make_shot(HOSTILE, file="x/<b>&\"'\u202e\udc80.bvh")
    comparison = compared(before, make_shot())
    assert len(comparison.document["renamed"]) == len(HOSTILE)
    html = comparison_page(comparison_view(comparison))
    hostile = Page(html)
    assert hostile.open == []
    assert not {"script", "img"} & {tag for tag, _ in hostile.tags}
    for letter in "\u202e\u200f\x00\ud800\udc80":
        assert letter not in html
        assert letter not in comparison_table(comparison.document)
    index = Page(comparison_index([("<i>", comparison.document)], lost=["<script>"]))
    assert index.open == []
    index.assert_landmarks_differ()
    assert not {"script", "i"} & {tag for tag, _ in index.tags}


def test_many_changed_joints_keep_to_the_limit(
    cleaned: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(views, "MOST_CARDS", 1)
    crowded = Page(comparison_page(comparison_view(cleaned)))
    assert len(crowded.all("article")) == 1
    assert {link[1:] for link in crowded.values("href")} <= set(crowded.values("id"))


@pytest.mark.parametrize("frames", [1, 2, 700])
def test_short_and_long_shots_have_pages(frames: int) -> None:
    comparison = compared(messy(walker(frames=frames)), walker(frames=frames))
    assert Page(comparison_page(comparison_view(comparison))).open == []


def test_joints_with_keys_of_their_own_have_curves() -> None:
    shot = walker()
    count = len(shot.skeleton)
    none = (None,) * count
    some = (None, None, Track(shot.times_s[10:50], shot.rotations_xyzw[10:50, KNEE]), *none[3:])
    keyed = Shot(shot.skeleton, shot.times_s, tracks=Tracks(some, none, none))
    view = comparison_view(compared(shot, keyed))
    card = next(card for card in view.cards if card.place == KNEE)
    assert card.after.times_s[0] == 0.0
    assert card.after.times_s[-1] == pytest.approx(2.0)
    assert Page(comparison_page(view)).open == []


def test_the_table_fits_the_terminal_and_has_a_row_for_each_change(cleaned: Comparison) -> None:
    table = comparison_table(cleaned.document, width=90)
    lines = table.splitlines()
    assert lines[0] == plain(words.title(cleaned.document))
    start = next(index for index, line in enumerate(lines) if line.startswith("joint "))
    changed = [row for row in cleaned.document["joints"] if row["changed"]]
    rows = lines[start + 1 : start + 1 + len(changed)]
    assert {row.split()[0] for row in rows} == {row["joint"] for row in changed}
    assert rows[0].split()[:3] == ["L_Knee", "cleaner", "+33.0°"]
    assert all(display_width(row) <= 90 for row in rows)
    assert f"Left out: {9 - len(changed)} joints with no change." in table


def test_the_folder_is_whole_and_earlier_ones_are_safe(cleaned: Comparison, tmp_path: Path) -> None:
    out = tmp_path / "above" / "one"
    assert write_comparison(cleaned, out) == out / "comparison.html"
    assert {path.name for path in out.iterdir()} == {"comparison.html", "comparison.json"}
    assert json.loads((out / "comparison.json").read_text(encoding="utf-8")) == cleaned.document
    before = (out / "comparison.html").read_bytes()
    with pytest.raises(OutputError, match=r"exists already.*--replace"):
        write_comparison(cleaned, out)
    write_comparison(cleaned, out, replace=True)
    assert (out / "comparison.html").read_bytes() == before
    (out / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="something else"):
        write_comparison(cleaned, out, replace=True)
    assert [path.name for path in out.parent.iterdir()] == ["one"]


@pytest.mark.parametrize("text", ["{}", "[1]", "not JSON", '{"tool": {"name": "another"}}'])
def test_what_is_somebody_elses_is_never_replaced(
    cleaned: Comparison, tmp_path: Path, text: str
) -> None:
    (tmp_path / "comparison.json").write_text(text)
    with pytest.raises(OutputError, match="something else"):
        write_comparison(cleaned, tmp_path, replace=True)
    assert (tmp_path / "comparison.json").read_text() == text


def test_an_empty_folder_is_replaced_and_a_link_is_not(cleaned: Comparison, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    write_comparison(cleaned, tmp_path / "empty", replace=True)
    (tmp_path / "link").symlink_to(tmp_path / "empty")
    with pytest.raises(OutputError, match="something else"):
        write_comparison(cleaned, tmp_path / "link", replace=True)


def test_the_index_lists_all_comparisons(cleaned: Comparison, tmp_path: Path) -> None:
    other = compared(walker(), walker(stretch=2.0)).document
    entries = [("walk", cleaned.document), ("run?", other)]
    path = write_comparison_index(entries, tmp_path, lost=["gone.bvh"], added=["new.bvh"])
    index = Page(path.read_text(encoding="utf-8"))
    assert index.open == []
    assert "The motion is the same in 1 of 2 comparisons." in index.text
    assert index.values("href")[1:] == ["walk/comparison.html", "run%3F/comparison.html"]
    assert "Only before: gone.bvh" in index.text
    assert "Only after: new.bvh" in index.text
    write_comparison_index(entries, tmp_path)
    (tmp_path / "index.html").write_text("<p>mine</p>")
    with pytest.raises(OutputError, match="something else"):
        write_comparison_index(entries, tmp_path)


def test_the_same_comparison_gives_the_same_page(cleaned: Comparison) -> None:
    again = compared(messy(walker()), walker())
    assert comparison_page(comparison_view(again)) == comparison_page(comparison_view(cleaned))


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "under 0.0000001 %"),
        (1e-5, "0.001 %"),
        (0.0321, "3.2 %"),
        (1.09, "109 %"),
        (12.3, "1,230 %"),
    ],
)
def test_shares_in_words(share: float, said: str) -> None:
    assert words.percent(share) == said
    assert not re.search(r"e[-−]", words.percent(share))
