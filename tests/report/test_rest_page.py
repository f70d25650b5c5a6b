"""The page of a rest pose: whole, alone, safe from the names it shows, and true to rest.json."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given

from audit.errors import OutputError
from audit.model import Shot, Skeleton, Source
from audit.report import rest_page as pages
from audit.report import rest_words as words
from audit.report.rest_drawing import view_drawing
from audit.report.rest_folder import write_rest, write_rest_index
from audit.report.rest_page import rest_index, rest_page, rest_view
from audit.report.rest_terminal import rest_lines
from audit.report.rest_views import closer_views, views_of
from audit.rest.sample import figure
from audit.rest.words import number, percent
from audit.resting import RestExamination, examine_rest
from audit.wording import degrees
from tests.report.test_page import HOSTILE, Page
from tests.strategies import skeletons
from tests.unit.rest.bodies import human
from tests.unit.rest.rigs import CONVENTIONS


def looked_at(skeleton: Skeleton, file: str = "rigs/rig.glb", **given: str) -> RestExamination:
    shot = Shot(skeleton, np.zeros(1), Source(file), rotations=skeleton.rest_xyzw[None])
    return examine_rest(shot, **given)


@pytest.fixture(scope="module")
def broken() -> RestExamination:
    return looked_at(
        figure(
            turned={"R_Forearm": (180.0, 0.0, 0.0), "L_Thigh": (0.0, 0.0, 3.0)},
            moved={"Spine": (0.01, 0.0, 0.0), "Hips": (0.0, 0.0, 0.2)},
        )
    )


@pytest.fixture(scope="module")
def html(broken: RestExamination) -> str:
    return rest_page(rest_view(broken))


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


class TestWhole:
    def test_every_tag_is_closed_and_every_link_leads_somewhere(self, page: Page) -> None:
        assert page.open == []
        identities = page.values("id")
        assert len(identities) == len(set(identities))
        links = page.values("href")
        assert len(links) > 10
        assert {link[0] for link in links} == {"#"}
        assert {link[1:] for link in links} <= set(identities)
        assert set(page.values("aria-labelledby")) <= set(identities)
        page.assert_landmarks_differ()
        assert page.headings.count(1) == 1
        assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False))

    def test_it_stands_alone(self, html: str, page: Page) -> None:
        assert "//" not in "".join(page.values("src") + page.values("href"))
        assert "http" not in html.replace("http-equiv", "")
        assert not {"script", "link", "iframe", "object", "img"} & {tag for tag, _ in page.tags}
        assert not [name for _, each in page.tags for name in each if name.startswith("on")]
        (policy,) = [each["content"] for each in page.all("meta") if "http-equiv" in each]
        assert policy == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"

    def test_drawings_say_what_they_show(self, page: Page) -> None:
        drawings = [each for each in page.all("svg") if each.get("aria-hidden") != "true"]
        assert len(drawings) > 3
        assert all(each["role"] in ("img", "group") and each["aria-label"] for each in drawings)
        marks = [each for each in page.all("a") if (each.get("class") or "").startswith("mark")]
        assert all(
            re.match(r"Finding \d+, (fix|look|note): ", each["aria-label"] or "") for each in marks
        )

    def test_every_style_that_is_used_is_there(self, html: str) -> None:
        style = html[html.index("<style>") : html.index("</style>")]
        for name in ("bones", "mirror", "floor", "hatch", "ring", "dot", "mark", "chip", "glyph"):
            assert f".{name}" in style


class TestTrue:
    def test_every_finding_has_its_row_with_the_numbers_of_the_json(
        self, broken: RestExamination, html: str, page: Page
    ) -> None:
        found = broken.document["findings"]
        assert len(found) >= 5
        rows = re.findall(r'<tr id="finding-(\d+)">(.*?)</tr>', html, re.DOTALL)
        assert [int(each) for each, _ in rows] == [each["number"] for each in found]
        for finding, (_, inside) in zip(found, rows, strict=True):
            cells = [
                cell.strip()
                for cell in re.sub(r"<[^>]+>", "\t", inside).split("\t")
                if cell.strip()
            ]
            assert cells[0] == str(finding["number"])
            assert cells[1] == finding["severity"]
            assert cells[2] == (finding["joint"] or "the whole rig")
            assert cells[3] == finding["check"]
            assert cells[-2:] == [number(finding["value"]), number(finding["limit"])]
            assert finding["message"] in page.in_bdi

    def test_the_top_counts_them(self, broken: RestExamination, page: Page) -> None:
        summary = broken.document["summary"]
        assert (
            f"{summary['fix']} things to fix in the rest pose, and {summary['look']} to look at."
            in page.text
        )
        assert f"{summary['pairs']} mirror pairs." in page.text
        assert f"The axes of {summary['axes_to_turn']} joints can be mended" in page.text

    def test_pairs_stand_side_by_side_with_their_numbers(
        self, broken: RestExamination, html: str
    ) -> None:
        joints = {row["joint"]: row for row in broken.document["joints"]}
        section = html[html.index('<section aria-labelledby="pairs">') :]
        section = section[: section.index("</section>")]
        rows = section.split("<tr>")[2:]
        assert len(rows) == len(broken.document["pairs"])
        for pair in broken.document["pairs"]:
            (row,) = [each for each in rows if f">{pair['left']}<" in each]
            for side in ("left", "right"):
                joint = joints[pair[side]]
                assert f">{pair[side]}<" in row
                assert ", ".join(number(value) for value in joint["position"]) in row
                assert words.unit_vector(joint["limb"]) in row
                assert joint["aims_with"] in row
            assert percent(pair["off_percent"]) in row
            assert degrees(pair["limb_apart_deg"], 2) in row
            assert degrees(pair["axes_apart_deg"], 2) in row
            for letter, swing in pair["swings"].items():
                assert f"{letter} {swing}" in row

    def test_how_it_stands_is_told_with_the_reason(
        self, broken: RestExamination, page: Page
    ) -> None:
        for fact in words.facts(broken.document):
            assert f"{fact.matter} {fact.what} {fact.how}" in page.text
        facts = {fact.matter: fact for fact in words.facts(broken.document)}
        assert (facts["Up"].what, facts["Faces"].what) == ("+Y", "+Z")
        assert facts["Unit"] == ("Unit", "metre", "found: the height is an adult’s; a guess")
        assert facts["Height"].what == "1.75 m"
        assert facts["Mirror plane"] == (
            "Mirror plane",
            "X = 0",
            "found: from pairs by name, 6 in all",
        )
        assert facts["Lowest point"].what == "on the floor"

    def test_what_is_given_is_told_as_given(self) -> None:
        given = looked_at(figure(facing_deg=20.0), up="+Y", facing="+Z").document
        facts = {fact.matter: fact for fact in words.facts(given)}
        assert facts["Up"].how == facts["Should face"].how == "given"
        assert facts["Faces"].what == "20.0° off +Z"
        assert facts["Mirror plane"].what == "across 20.0° off +X, 0 from the origin"

    def test_a_clean_rig_says_so(self) -> None:
        page = Page(rest_page(rest_view(looked_at(figure()))))
        assert "Nothing to fix in the rest pose." in page.text
        assert "Nothing was found" in page.text
        assert not [each for each in page.all("a") if (each.get("class") or "").startswith("mark")]
        assert page.open == []

    def test_without_rest_rotations_no_axes_are_drawn(self) -> None:
        bare = Skeleton.plain(["Hips", "Spine", "Head"], [-1, 0, 1], np.eye(3)[[1, 1, 1]])
        html = rest_page(rest_view(looked_at(bare)))
        assert "There are no rest rotations here" in html
        assert 'class="key X"' not in html
        assert 'class="glyph"' not in html


class TestDrawing:
    @pytest.mark.parametrize("convention", CONVENTIONS)
    def test_the_three_views_look_from_front_side_and_top(self, convention: str) -> None:
        rig = human(np.random.default_rng(8))
        rig.up, rig.forward = CONVENTIONS[convention]
        examined = looked_at(rig.skeleton())
        front, side, top = views_of(examined)
        assert front.scale == side.scale == top.scale
        names = list(examined.skeleton.names)
        positions = examined.measures.world.positions
        head = names.index("Head")
        left = int(np.flatnonzero(examined.measures.pairs.side > 0)[0])
        right = int(examined.measures.pairs.partner[left])
        toe = next(place for place, name in enumerate(names) if "oe" in name)
        for view in (front, side, top):
            # What is to the right, down and towards the viewer is a right-handed set with y up.
            np.testing.assert_allclose(np.cross(view.right, -view.down), view.towards, atol=1e-12)
            places = view.places(positions)
            assert (places >= 0.0).all()
            assert (places <= [view.width, view.height]).all()
        ahead = positions[toe] @ front.towards
        assert ahead > positions[int(examined.skeleton.parents[toe])] @ front.towards
        seen = front.places(positions)
        assert seen[left, 0] > seen[right, 0]
        assert seen[head, 1] < seen[toe, 1]
        seen = side.places(positions)
        assert seen[toe, 0] > seen[int(examined.skeleton.parents[toe]), 0]
        seen = top.places(positions)
        assert seen[left, 0] > seen[right, 0]
        assert seen[toe, 1] > seen[int(examined.skeleton.parents[toe]), 1]
        apart = np.linalg.norm(positions[left] - positions[right])
        across = np.linalg.norm(front.places(positions)[left] - front.places(positions)[right])
        assert across == pytest.approx(front.scale * apart)

    def test_axes_are_told_apart_by_letter_and_line(self, html: str) -> None:
        style = html[html.index("<style>") : html.index("</style>")]
        assert "svg .key.Y { stroke-dasharray" in style
        assert "svg .key.Z { stroke-dasharray" in style
        drawing = html[html.index('<svg viewBox="0 0') : html.index("</figure>")]
        for letter in "XYZ":
            assert f'class="key {letter}"' in drawing
        assert re.search(r'class="letter middle">[XYZ]</text>', drawing)

    def test_floor_and_mirror_plane_are_drawn_where_they_are(self, broken: RestExamination) -> None:
        front, side, _ = views_of(broken)
        drawing = view_drawing(broken, front)
        level = front.places(np.zeros((1, 3)))[0, 1]
        found = re.search(r'<path class="floor" d="M[\d.]+ ([\d.]+)L[\d.]+ ([\d.]+)"', drawing)
        assert found is not None
        assert [float(each) for each in found.groups()] == pytest.approx([level, level], abs=0.06)
        found = re.search(r'<path class="mirror" d="M([\d.]+) [\d.]+L([\d.]+) [\d.]+"', drawing)
        assert found is not None
        middle = front.places(np.zeros((1, 3)))[0, 0]
        assert [float(each) for each in found.groups()] == pytest.approx([middle, middle], abs=0.06)
        assert "mirror" not in view_drawing(broken, side)

    def test_a_finding_is_marked_at_its_joint(self, broken: RestExamination) -> None:
        front = views_of(broken)[0]
        drawing = view_drawing(broken, front, linked_back=True)
        places = front.places(broken.measures.world.positions)
        for finding in broken.document["findings"]:
            if finding["place"] is None:
                continue
            x, y = places[finding["place"]]
            circles = re.findall(r'<circle class="ring \w+" cx="([\d.]+)" cy="([\d.]+)"', drawing)
            assert min(np.hypot(float(a) - x, float(b) - y) for a, b in circles) < 0.1
            assert f'href="#finding-{finding["number"]}"' in drawing
            assert f'id="mark-{finding["number"]}"' in drawing

    def test_marks_do_not_cover_each_other_and_stay_on_the_drawing(self) -> None:
        rng = np.random.default_rng(2)
        rig = human(rng)
        for joint in range(1, len(rig)):
            rig.places[joint] += rng.normal(size=3) * 0.03
        examined = looked_at(rig.skeleton())
        assert len(examined.findings) > 30
        of_joints = [each.joint for each in examined.findings if each.joint is not None]
        assert max(map(of_joints.count, of_joints)) > 2
        for view in views_of(examined):
            drawing = view_drawing(examined, view)
            frames = [
                tuple(float(each) for each in found)
                for found in re.findall(
                    r'<rect x="(-?[\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"', drawing
                )
            ]
            assert frames
            for place, (x, y, wide, high) in enumerate(frames):
                assert x >= 0.0
                assert x + wide <= view.width
                assert 0.0 <= y <= y + high <= view.height
                for a, b, c, d in frames[:place]:
                    apart = x >= a + c or a >= x + wide or y >= b + d or b >= y + high
                    assert apart, (x, y, a, b)
            assert all(drawing.count(f"{name}<") < 200 for name in "XYZ")

    def test_hands_are_drawn_closer(self) -> None:
        examined = looked_at(human(np.random.default_rng(4)).skeleton())
        views = views_of(examined)
        closer = closer_views(examined, views)
        names = examined.skeleton.names
        assert len(closer) == 2
        for view in closer:
            assert view.scale > 1.8 * views[0].scale
            assert "and" in (view.closer or "")
            fingers = {names[joint] for joint in view.joints}
            assert any("Middle" in name for name in fingers)
            assert not any("Thigh" in name for name in fingers)
            places = view.places(examined.measures.world.positions[view.joints])
            assert (places >= 0.0).all()
            assert (places <= [view.width, view.height]).all()


class TestSafe:
    def hostile(self) -> RestExamination:
        base = figure(turned={"R_Forearm": (180.0, 0.0, 0.0)}, moved={"Spine": (0.01, 0.0, 0.0)})
        names = [*HOSTILE, *base.names[len(HOSTILE) :]]
        renamed = dict(zip(base.names, names, strict=True))
        skeleton = figure(
            turned={"R_Forearm": (180.0, 0.0, 0.0)},
            moved={"Spine": (0.01, 0.0, 0.0)},
            renamed=renamed,
        )
        return looked_at(skeleton, "x/<b>&\"'\u202e\udc80.glb")

    def test_hostile_names_stay_text(self) -> None:
        examined = self.hostile()
        html = rest_page(rest_view(examined))
        page = Page(html)
        assert page.open == []
        assert not {"script", "img", "b>"} & {tag for tag, _ in page.tags}
        assert not [name for _, each in page.tags for name in each if name.startswith("on")]
        assert "<script>alert(1)</script>" in page.text
        table = rest_lines(examined.document)
        for letter in "\u202e\u200f\x00\ud800\udc80":
            assert letter not in html
            assert letter not in table
        assert "\nand a null" not in table
        index = Page(rest_index([("<i>", "<i>-rest", examined.document)]))
        assert index.open == []
        index.assert_landmarks_differ()
        assert not {"script", "i"} & {tag for tag, _ in index.tags}

    def test_they_go_to_disk_and_back(self, tmp_path: Path) -> None:
        examined = self.hostile()
        write_rest(examined, tmp_path / "rig")
        found = json.loads((tmp_path / "rig" / "rest.json").read_text("utf-8"))
        assert found["joints"][0]["joint"] == HOSTILE[0]

    @given(skeletons())
    def test_any_skeleton_has_a_page(self, skeleton: Skeleton) -> None:
        examined = looked_at(skeleton)
        page = Page(rest_page(rest_view(examined)))
        assert page.open == []
        assert {link[1:] for link in page.values("href")} <= set(page.values("id"))
        assert rest_lines(examined.document)

    def test_a_single_joint_has_one_too(self) -> None:
        alone = looked_at(Skeleton.plain(["Hips"], [-1], [[0.0, 0.0, 0.0]]))
        assert Page(rest_page(rest_view(alone))).open == []

    def test_large_rigs_keep_to_the_limits(
        self, broken: RestExamination, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(pages, "MOST_PAIRS", 2)
        monkeypatch.setattr(pages, "MOST_JOINTS", 3)
        page = Page(rest_page(rest_view(broken)))
        assert "Shown are 2 of 6 pairs" in page.text
        assert "The first 3 of 16" in page.text
        assert {link[1:] for link in page.values("href")} <= set(page.values("id"))


class TestFolder:
    def test_it_is_whole_and_earlier_ones_are_safe(
        self, broken: RestExamination, tmp_path: Path
    ) -> None:
        out = tmp_path / "above" / "one"
        assert write_rest(broken, out) == out / "rest.html"
        assert {path.name for path in out.iterdir()} == {"rest.html", "rest.json"}
        assert json.loads((out / "rest.json").read_text("utf-8")) == broken.document
        with pytest.raises(OutputError, match=r"exists already.*--replace"):
            write_rest(broken, out)
        write_rest(broken, out, replace=True)
        (out / "notes.txt").write_text("mine")
        with pytest.raises(OutputError, match="something else"):
            write_rest(broken, out, replace=True)
        assert [path.name for path in out.parent.iterdir()] == ["one"]

    def test_a_report_of_a_shot_is_something_else(
        self, broken: RestExamination, tmp_path: Path
    ) -> None:
        (tmp_path / "one").mkdir()
        (tmp_path / "one" / "report.html").write_text(
            '<meta name="generator" content="hinge-audit">'
        )
        with pytest.raises(OutputError, match="something else"):
            write_rest(broken, tmp_path / "one", replace=True)

    def test_the_list_replaces_itself_and_nothing_else(
        self, broken: RestExamination, tmp_path: Path
    ) -> None:
        entries = [("rig", "rig-rest", broken.document)]
        path = write_rest_index(entries, tmp_path)
        assert write_rest_index(entries, tmp_path) == path == tmp_path / "rest.html"
        path.write_text(rest_page(rest_view(broken)), "utf-8")
        with pytest.raises(OutputError, match="something else"):
            write_rest_index(entries, tmp_path)


def test_the_terminal_has_one_line_a_finding(broken: RestExamination) -> None:
    lines = rest_lines(broken.document).splitlines()
    found = broken.document["findings"]
    assert len(lines) == 4 + len(found)
    for finding, line in zip(found, lines[4:], strict=True):
        assert line.split(maxsplit=3) == [
            str(finding["number"]),
            finding["severity"],
            finding["check"],
            finding["message"],
        ]
