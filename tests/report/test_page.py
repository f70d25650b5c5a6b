"""The page: whole, alone, safe from the names it shows, and true to the results."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser

import numpy as np
import pytest

from audit.model import Channels, Shot, Skeleton, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import Examination, examine
from audit.report import cards, views
from audit.report.page import index_page, shot_page
from audit.report.plans import plan_of
from audit.report.ranking import headline
from audit.report.views import shot_view
from audit.report.words import plain
from audit.results import edit_keys_after
from audit.wording import degrees, turn_in_words

VOID = {"meta", "link", "br", "hr", "img", "input", "path", "rect", "circle"}

HOSTILE = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror='alert(1)'>",
    "\u202egnol\u200f and turned",
    "x" * 200,
    "}}{{ 7 * 7 }}{% raw %}",
    "two\nlines\x00and a null",
    "half a pair \ud800",
]


class Page(HTMLParser):
    """A page taken apart: tags in order, their attributes, and all text."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text_parts: list[str] = []
        self.in_bdi: list[str] = []
        self.headings: list[int] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "bdi":
            self.in_bdi.append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1] == tag, f"</{tag}> closes <{self.open[-1]}>"
        self.open.pop()
        if tag in ("td", "th", "dt", "dd"):
            self.text_parts.append(" ")

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text_parts.append(data)
        if "bdi" in self.open:
            self.in_bdi[-1] += data

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.text_parts))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]

    def values(self, attribute: str) -> list[str]:
        return [each[attribute] or "" for _, each in self.tags if attribute in each]

    @property
    def landmarks(self) -> list[tuple[str, str]]:
        """Kind and name of all landmarks that have a name, by which people jump about the page."""
        kinds = {"section": "region", "nav": "navigation", "form": "form", "aside": "complementary"}
        found = []
        for tag, attributes in self.tags:
            kind = attributes.get("role") or kinds.get(tag)
            name = attributes.get("aria-labelledby") or attributes.get("aria-label")
            if name and kind in {*kinds.values(), "search"}:
                found.append((kind, name))
        return found

    def assert_landmarks_differ(self) -> None:
        """Assert that there are named landmarks, and that no two of one kind share a name."""
        assert self.landmarks
        assert len(self.landmarks) == len(set(self.landmarks))


@pytest.fixture(scope="module")
def page(examined: Examination) -> Page:
    return Page(shot_page(shot_view(examined)))


def test_every_tag_is_closed_and_every_link_leads_somewhere(page: Page) -> None:
    assert page.open == []
    identities = page.values("id")
    assert len(identities) == len(set(identities))
    links = page.values("href")
    assert len(links) > 5
    assert {link for link in links if link[0] != "#"} == set()
    assert {link[1:] for link in links} <= set(identities)
    assert set(page.values("aria-labelledby")) <= set(identities)
    page.assert_landmarks_differ()


def test_it_stands_alone(examined: Examination, page: Page) -> None:
    html = shot_page(shot_view(examined))
    assert "http://" not in html
    assert "https://" not in html
    assert "//" not in "".join(page.values("src") + page.values("href"))
    assert not {"script", "link", "iframe", "object", "img"} & {tag for tag, _ in page.tags}
    assert not [name for _, each in page.tags for name in each if name.startswith("on")]
    assert "@import" not in html
    policy = next(
        each["content"]
        for each in page.all("meta")
        if each.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def test_headings_go_down_by_one_and_drawings_are_described(page: Page) -> None:
    assert page.headings.count(1) == 1
    assert all(
        after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False)
    )
    drawings = [each for each in page.all("svg") if each.get("aria-hidden") != "true"]
    assert len(drawings) > 10
    assert all(each["role"] == "img" and each["aria-label"] for each in drawings)


def test_hostile_names_stay_text(make_shot: Callable[..., Shot]) -> None:
    shot = make_shot(HOSTILE, file="x/<b>&\"'\u202e\udc80.bvh")
    html = shot_page(shot_view(examine(shot)))
    hostile = Page(html)
    assert hostile.open == []
    assert not {"script", "img", "b onmouseover"} & {tag for tag, _ in hostile.tags}
    assert not [name for _, each in hostile.tags for name in each if name.startswith("on")]
    for name in HOSTILE[:2] + HOSTILE[3:5]:
        assert name in hostile.in_bdi
    for letter in "\u202e\u200f\x00\ud800\udc80":
        assert letter not in html
    assert "⟨U+202E⟩gnol⟨U+200F⟩ and turned" in hostile.in_bdi
    assert "two⟨U+000A⟩lines⟨U+0000⟩and a null" in hostile.in_bdi
    html.encode("utf-8")


def test_numbers_are_those_of_the_results(examined: Examination, page: Page) -> None:
    document = examined.document
    hinges = [row for row in document["joints"] if row["kind"] == "hinge"]
    spread = sum(row["moving_channels"] > 1 for row in hinges)
    assert f"{spread} of {len(hinges)} hinges spread over more than one curve." in page.text
    now, after = (
        sum(count(row) for row in hinges)
        for count in (lambda row: row["edit_keys"], edit_keys_after)
    )
    assert f"{now:,} edit keys on hinges now, {after:,} after the offsets." in page.text
    summary = document["summary"]
    assert f"{summary['edit_keys_now']:,} → {summary['edit_keys_after']:,}" in page.text
    knee = document["joints"][1]
    assert (
        f"Turn the axes of L_Knee by {degrees(knee['twist_offset_deg'])} about the limb"
        in page.text
    )
    assert f"{knee['edit_keys']} → {knee['after_twist']['edit_keys']} edit keys" in page.text
    assert (
        f"3 moving curves, {knee['edit_keys']} edit keys, spread {knee['channel_spread']:.2f}"
        in page.text
    )
    for row in document["joints"]:
        for finding in row["findings"]:
            assert f"{finding['message']}." in page.text
        for cause, size in (row["causes"] or {}).items():
            if row["findings"] and size >= 0.01 and row["kind"] == "hinge":
                assert f"{cause} {size:.2f}" in page.text
        if row["no_offset_because"]:
            assert row["no_offset_because"][1:] in page.text
    for finding in document["findings"]:
        assert finding["message"] in page.text
    for limits in document["settings"]["checks"].values():
        for name, value in limits.items():
            assert f"{name} {value:g} " in page.text


def test_the_way_round_is_the_one_that_the_findings_give(examined: Examination) -> None:
    for card in shot_view(examined).cards:
        plan = card.line.plan
        if plan.turn_deg is not None and not plan.needs_more_than_twist:
            words = turn_in_words(plan.joint, plan.turn_deg)
            said = f"{plain(card.instruction)}: {card.detail[0].lower()}{card.detail[1:-1]}"
            assert said == words[0].upper() + words[1:]


def test_cards_come_by_keys_saved_and_show_the_stages_that_matter(examined: Examination) -> None:
    view = shot_view(examined)
    saved = [line.saved for line in view.flagged]
    assert saved == sorted(saved, reverse=True)
    by_name = {card.line.row["joint"]: card for card in view.cards}
    assert list(by_name) == [line.row["joint"] for line in view.flagged]
    assert [stage.title for stage in by_name["L_Knee"].stages] == ["As they are", "After the turn"]
    assert [stage.title for stage in by_name["R_Elbow"].stages] == [
        "As they are",
        "In the order ZYX",
    ]
    assert [stage.title for stage in by_name["L_Elbow"].stages] == [
        "As they are",
        "After a turn about the limb alone",
        "After aim and turn",
    ]
    assert [stage.title for stage in by_name["L_Toe"].stages] == ["As they are"]
    assert "R_Knee" not in by_name
    for card in view.cards:
        for stage in card.stages:
            assert card.low <= stage.curves.min()
            assert stage.curves.max() <= card.high
            assert stage.channels == np.count_nonzero(np.ptp(stage.curves, axis=1) > 1.0)


def test_what_a_turn_cannot_fix_is_said(examined: Examination) -> None:
    leftovers = {
        card.line.row["joint"]: " ".join(card.leftovers) for card in shot_view(examined).cards
    }
    assert "leans 45.0° along the limb" in leftovers["L_Toe"]
    assert "No axis lies along the limb" in leftovers["L_Elbow"]
    assert "YXZ costs" in leftovers["R_Elbow"]
    assert leftovers["L_Knee"].startswith("Nothing")


def test_a_shot_with_nothing_to_turn_says_so_and_shows_its_joints(clean: Examination) -> None:
    calm = Page(shot_page(shot_view(clean)))
    assert calm.open == []
    assert "Nothing to turn." in calm.text
    assert "The one hinge of this shot stays on one curve." in calm.text
    assert "L_Knee" in calm.in_bdi
    assert "What to turn" not in calm.text
    assert not calm.all("article")


def test_limited_to_some_joints(examined: Examination) -> None:
    few = Page(shot_page(shot_view(examined, [1, 2])))
    assert [each["id"] for each in few.all("article")] == ["joint-1"]
    assert "This page shows 2 of 9 joints." in few.text
    assert "L_Elbow" not in few.text
    assert headline(examined.document).title in few.text


def test_a_shot_with_many_flagged_joints_keeps_to_the_limit(
    examined: Examination, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(views, "MOST_CARDS", 2)
    view = shot_view(examined)
    assert len(view.cards) == 2
    crowded = Page(shot_page(view))
    assert crowded.open == []
    assert f"Shown are the 2 costliest of {len(view.flagged)} joints" in crowded.text
    assert {link[1:] for link in crowded.values("href")} <= set(crowded.values("id"))
    rest = view.flagged[2]
    assert all(finding["message"] in crowded.text for finding in rest.row["findings"])


def test_joints_of_one_chain_with_one_turn_are_told_in_one_line(examined: Examination) -> None:
    line = next(each for each in shot_view(examined).flagged if each.row["joint"] == "L_Knee")
    rows = [dict(line.row, joint=name) for name in ("Upper", "Middle", "Lower", "Other")]
    rows[3]["twist_offset_deg"] = rows[0]["twist_offset_deg"] + 3.0
    lines = [cards.line_of(place, row, True) for place, row in enumerate(rows)]
    groups = views._groups(lines, np.array([-1, 0, 1, 1]))
    assert [[each.row["joint"] for each in group.lines] for group in groups] == [
        ["Upper", "Middle", "Lower"],
        ["Other"],
    ]
    assert (
        plain(groups[0].instruction)
        == "Turn the axes of Upper and of 2 joints below it by 36.9° about the limb"
    )
    assert groups[0].saved == 3 * groups[1].saved


@pytest.mark.parametrize("frames", [1, 2, 5, 700])
def test_short_and_long_shots_have_pages(make_shot: Callable[..., Shot], frames: int) -> None:
    shot = make_shot(frames=frames)
    whole = Page(shot_page(shot_view(examine(shot))))
    assert whole.open == []
    assert len(shot_page(shot_view(examine(shot)))) < 400_000


def test_the_same_results_give_the_same_page(make_shot: Callable[..., Shot]) -> None:
    first, second = (shot_page(shot_view(examine(make_shot()))) for _ in range(2))
    assert first == second


def test_the_index_lists_all_shots_and_the_worst_joints(
    examined: Examination, clean: Examination
) -> None:
    entries = [
        ("star_one", examined.document),
        ("calm shot?", clean.document),
        ("<i>", clean.document),
    ]
    index = Page(index_page(entries))
    assert index.open == []
    index.assert_landmarks_differ()
    assert "i" not in {tag for tag, _ in index.tags}
    assert index.values("href")[1:4] == [
        "star_one/report.html",
        "calm%20shot%3F/report.html",
        "%3Ci%3E/report.html",
    ]
    assert [name for name, _ in entries] == index.in_bdi[:3]
    for _, document in entries:
        summary = document["summary"]
        assert (
            f"{summary['hinges']} {summary['clean_hinges']} {summary['fix']} {summary['look']}"
            in index.text
        )
    flagged = [
        row["joint"] for row in examined.document["joints"] if plan_of(row).asks_for_something
    ]
    assert set(flagged) <= set(index.in_bdi)
    assert "star_one/report.html#joint-1" in index.values("href")


def test_an_index_of_nothing_is_a_page() -> None:
    assert Page(index_page([])).open == []


def test_a_joint_with_keys_of_its_own_is_drawn_at_their_times(
    make_shot: Callable[..., Shot],
) -> None:
    shot = make_shot()
    own = slice(10, 60)
    knee = Track(shot.times_s[own], shot.rotations_xyzw[own, 1])
    other = Track(shot.times_s, shot.rotations_xyzw[:, 2])
    none: tuple[None, ...] = (None,) * len(shot.skeleton)
    tracks = Tracks((None, knee, other, *none[3:]), none, none)
    keyed = Shot(shot.skeleton, shot.times_s, tracks=tracks)
    examined = examine(keyed)
    (card,) = shot_view(examined).cards
    assert card.line.row["joint"] == "L_Knee"
    assert card.times_s[1:-1] == pytest.approx(shot.times_s[own])
    assert card.times_s[[0, -1]] == pytest.approx(shot.times_s[[0, -1]])
    curves = card.stages[0].curves
    assert curves[:, 1:-1] == pytest.approx(examined.curves(1).now)
    assert np.array_equal(curves[:, [0, -1]], curves[:, [1, -2]])
    assert dict(card.certainty)["Length"] == "97 frames, 4.0 s; 50 keys of its own"
    assert Page(shot_page(shot_view(examined))).open == []


def test_what_is_only_worth_a_look_says_why_and_is_not_asked_for() -> None:
    view = shot_view(examine(limb_shot(hinge_channels((1.0, 0.0, 0.05), bend(high=12.0)))))
    (card,) = view.cards
    assert card.line.severity == "look"
    assert card.detail.endswith("only worth a look, since it moves one curve as it is.")
    assert view.groups == ()
    text = Page(shot_page(view)).text
    assert "Nothing must be turned One joint is worth a look, though." in text


def test_too_few_keys_are_owned_up_to() -> None:
    view = shot_view(examine(limb_shot(hinge_channels((1.0, 0.0, 0.5), bend(frames=5)))))
    (card,) = view.cards
    assert card.line.row["twist_interval_deg"] is None
    certainty = dict(card.certainty)
    assert certainty["Turn about the limb"] == "26.6°, from too few keys to say how sure that is"
    assert "Hinge axis" not in certainty


@pytest.mark.slow
def test_a_long_shot_of_many_joints_keeps_the_page_small() -> None:
    rng = np.random.default_rng(11)
    joints, frames = 61, 4000
    values = np.zeros((frames, 3 * joints))
    times = np.arange(frames) / 60.0
    for joint in range(joints):
        speeds, phases = rng.uniform(0.5, 12.0, (5, 1)), rng.uniform(0.0, 6.0, (5, 1))
        bends = np.sum(rng.uniform(3.0, 25.0, (5, 1)) * np.sin(speeds * times + phases), axis=0)
        twist = np.deg2rad(rng.uniform(5.0, 44.0))
        channels = hinge_channels((np.cos(twist), 0.0, np.sin(twist)), bends)
        values[:, 3 * joint : 3 * joint + 3] = channels + rng.normal(scale=0.3, size=(frames, 3))
    skeleton = Skeleton.plain(
        [f"Joint{joint}" for joint in range(joints)],
        list(range(-1, joints - 1)),
        np.tile([0.0, -1.0, 0.0], (joints, 1)),
        orders="YZX",
    )
    columns = np.arange(3 * joints).reshape(joints, 3)
    shot = Shot(skeleton, times, channels=Channels(values, columns, np.full((joints, 3), -1)))
    view = shot_view(examine(shot))
    assert len(view.flagged) > len(view.cards) == views.MOST_CARDS
    assert len(shot_page(view).encode()) < 2_000_000
