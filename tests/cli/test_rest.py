"""The command ``rest`` as a rigger or a script meets it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from audit.cli.main import COMMANDS
from audit.correction import write
from audit.demo import demo_files
from audit.model import Shot, Skeleton, Source, Track, Tracks
from audit.rest.sample import figure
from audit.resting import rest_schema
from audit.rotations import multiply, quaternion_from_rotation_vector
from audit.sheet import read_sheet
from tests.cli.running import Command, hinge_audit
from tests.formats.acclaim_making import MOTION, SKELETON
from tests.unit.test_files import tree

__all__ = ["hinge_audit"]

AXIS_CHECKS = {"rest-aim", "rest-bend-plane", "rest-midline-twist", "rest-mirror"}
BAD = {
    "R_Forearm": (90.0, 0.0, 0.0),
    "L_Thigh": (0.0, 0.0, 3.0),
    "R_Thigh": (0.0, 0.0, 3.0),
    "Neck": (1.5, 0.0, 0.0),
    "L_Shin": (20.0, 0.0, 0.0),
    "R_Shin": (20.0, 0.0, 0.0),
}
"""Turns of axes that need a fix: one side only, off the limb, twisted in the middle, and off the bend."""


def still(skeleton: Skeleton) -> Shot:
    """Return a shot of one frame at rest."""
    return Shot(skeleton, np.zeros(1), Source("rig"), rotations=skeleton.rest_xyzw[None])


def moving(skeleton: Skeleton) -> Shot:
    """Return a shot in which the knees bend about their real axes and everything else turns a little."""
    times, rest = np.linspace(0.0, 2.0, 25), skeleton.rest_xyzw
    tracks = []
    for joint, name in enumerate(skeleton.names):
        swing = 5.0 * np.sin(times + joint)
        turn = np.stack((swing, 0.3 * swing, np.zeros(25)))
        if name.endswith("Shin"):
            # The axis of the bend, seen from axes that are turned by 20° about the limb.
            axis = np.array([0.0, np.sin(np.deg2rad(20.0)), np.cos(np.deg2rad(20.0))])
            turn = axis[:, None] * 40.0 * np.sin(times) ** 2
        away = quaternion_from_rotation_vector(np.deg2rad(turn))
        tracks.append(Track(times, multiply(np.tile(rest[joint][:, None], 25), away).T))
    none = (None,) * len(skeleton)
    return Shot(skeleton, times, Source("walk"), tracks=Tracks(tuple(tracks), none, none))


@pytest.fixture
def rigs(tmp_path: Path) -> Path:
    """Return a folder with a clean and a broken rig, at rest."""
    folder = tmp_path / "rigs"
    folder.mkdir()
    write(still(figure()), folder / "clean.glb")
    write(still(figure(turned=BAD)), folder / "broken.glb")
    return folder


def document(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "rest.json").read_text("utf-8"))
    jsonschema.validate(found, dict(rest_schema()))
    return found


class TestOneRig:
    def test_it_is_told_shown_and_kept(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        out, before = tmp_path / "out", tree(rigs)
        done = hinge_audit("rest", rigs / "broken.glb", "--out", out)
        assert (done.code, done.err) == (0, "")
        folder = out / "broken-rest"
        assert sorted(path.name for path in folder.iterdir()) == ["rest.html", "rest.json"]
        assert not (out / "rest.html").exists()
        found = document(folder)
        lines = done.out.splitlines()
        assert lines[0].startswith(
            f"{rigs / 'broken.glb'}: {found['summary']['fix']} things to fix"
        )
        assert "Up +Y (stated by the file)" in lines[2]
        assert "unit metre (stated by the file)" in lines[2]
        told = [line for line in lines if line.split()[1:2] in (["fix"], ["look"], ["note"])]
        assert [line.split(maxsplit=3) for line in told] == [
            [str(each["number"]), each["severity"], each["check"], each["message"]]
            for each in found["findings"]
        ]
        assert f"Page: {folder / 'rest.html'}" in lines
        assert tree(rigs) == before

    def test_a_clean_one_has_nothing_to_fix(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        done = hinge_audit(
            "rest", rigs / "clean.glb", "--out", tmp_path / "out", "--fail-on", "fix"
        )
        assert done.code == 0
        assert "Nothing to fix in the rest pose." in done.out

    def test_any_format_that_is_read(self, hinge_audit: Command, tmp_path: Path) -> None:
        (tmp_path / "wade.bvh").write_bytes(demo_files()["wade_messy.bvh"])
        done = hinge_audit("rest", tmp_path / "wade.bvh", "--out", tmp_path)
        assert done.code == 0
        found = document(tmp_path / "wade-rest")
        assert found["source"]["has_axes"] is False
        assert found["source"]["with_motion"] is True

    def test_a_skeleton_that_is_apart(self, hinge_audit: Command, tmp_path: Path) -> None:
        (tmp_path / "rig.asf").write_bytes(SKELETON)
        (tmp_path / "walk.amc").write_bytes(MOTION)
        done = hinge_audit(
            "rest", tmp_path / "walk.amc", "--skeleton", tmp_path / "rig.asf", "--out", tmp_path
        )
        assert (done.code, done.err) == (0, "")

    def test_what_is_given_holds(self, hinge_audit: Command, rigs: Path, tmp_path: Path) -> None:
        words = ("--up", "y", "--facing", "+X", "--unit", "cm", "--json")
        done = hinge_audit("rest", rigs / "clean.glb", "--out", tmp_path / "out", *words)
        world = json.loads(done.out)["world"]
        assert world["up"]["from"] == world["facing"]["should_be_from"] == "given"
        assert world["unit"] == {"metres": 0.01, "name": "centimetre", "from": "given"}
        facing = [
            each for each in json.loads(done.out)["findings"] if each["check"] == "rest-facing"
        ]
        # It faces +Z: a quarter turn about +Y brings it to +X.
        assert [each["value"] for each in facing] == pytest.approx([90.0])


class TestSeveral:
    def test_there_is_a_list_of_them(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        out = tmp_path / "out"
        done = hinge_audit("rest", rigs, "--out", out)
        assert done.code == 0
        assert f"All rigs: {out / 'rest.html'}" in done.out
        assert sorted(path.name for path in out.iterdir()) == [
            "broken-rest",
            "clean-rest",
            "rest.html",
        ]
        page = (out / "rest.html").read_text("utf-8")
        assert "1 of 2 rigs has something to fix at rest." in page
        assert 'href="broken-rest/rest.html"' in page

    def test_one_that_cannot_be_read_is_named_and_the_others_are_done(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        (rigs / "damaged.glb").write_bytes((rigs / "clean.glb").read_bytes()[:100])
        done = hinge_audit("rest", rigs, "--out", tmp_path / "out", "--fail-on", "fix")
        assert done.code == 3
        assert done.err.startswith(f"hinge-audit: {rigs / 'damaged.glb'}: ")
        assert (tmp_path / "out" / "clean-rest" / "rest.json").exists()
        assert not (tmp_path / "out" / "damaged-rest").exists()

    def test_two_of_one_name_get_a_folder_each(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        write(still(figure()), rigs / "clean.usda")
        assert hinge_audit("rest", rigs, "--out", tmp_path / "out", "-q").code == 0
        names = sorted(path.name for path in (tmp_path / "out").glob("*-rest*"))
        assert names == ["broken-rest", "clean-rest", "clean-rest-2"]

    def test_json_is_a_list_for_a_folder_and_one_for_a_file(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        many = hinge_audit("rest", rigs, "--out", tmp_path / "a", "--json")
        one = hinge_audit("rest", rigs / "clean.glb", "--out", tmp_path / "b", "--json")
        assert [each["summary"]["fix"] > 0 for each in json.loads(many.out)] == [True, False]
        assert json.loads(one.out) == document(tmp_path / "b" / "clean-rest")


class TestExitCodes:
    @pytest.mark.parametrize(
        ("rig", "fail_on", "code"),
        [
            ("broken", "fix", 1),
            ("broken", "look", 1),
            ("broken", "never", 0),
            ("clean", "look", 0),
            ("loose", "look", 1),
            ("loose", "fix", 0),
        ],
    )
    def test_findings_fail_only_where_that_is_asked_for(
        self,
        hinge_audit: Command,
        rigs: Path,
        tmp_path: Path,
        rig: str,
        fail_on: str,
        code: int,
    ) -> None:
        # A root in front of the origin is worth a look.
        write(still(figure(moved={"Hips": (0.0, 0.0, 0.2)})), rigs / "loose.glb")
        path = rigs / f"{rig}.glb"
        words = ("--out", tmp_path / "out", "--fail-on", fail_on, "-q")
        done = hinge_audit("rest", path, *words)
        assert (done.code, done.out, done.err) == (code, "", "")

    def test_an_earlier_page_needs_replace(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        words = ("rest", rigs / "broken.glb", "--out", tmp_path / "out", "-q")
        assert hinge_audit(*words).code == 0
        page = tmp_path / "out" / "broken-rest" / "rest.html"
        first = page.read_bytes()
        again = hinge_audit(*words)
        assert again.code == 3
        assert "--replace" in again.err
        assert hinge_audit(*words, "--replace").code == 0
        assert page.read_bytes() == first

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            ((), "RIG"),
            (("a.glb", "--unit", "parsec"), "no unit of length"),
            (("a.glb", "--up", "sideways"), "not a direction"),
            (("a.glb", "--facing", "3"), "not a direction"),
            (("a.glb", "b.glb", "--fix", "s.csv"), "one rig at a time"),
            (("a.glb", "--fail-on", "note"), "note"),
        ],
    )
    def test_wrong_usage(self, hinge_audit: Command, words: tuple[str, ...], told: str) -> None:
        done = hinge_audit("rest", *words)
        assert done.code == 2
        assert told in done.err

    def test_it_is_listed_with_help_and_examples(self, hinge_audit: Command) -> None:
        assert "rest" in COMMANDS
        done = hinge_audit("rest", "--help")
        assert done.code == 0
        for part in ("Examples:", "Exit codes:", "--fix", "--fail-on", "--facing"):
            assert part in done.out


class TestFix:
    @pytest.mark.parametrize("suffix", [".glb", ".usda", ".usdc"])
    @pytest.mark.parametrize("keys", [False, True])
    def test_the_sheet_then_correct_leaves_no_finding_about_axes(
        self, hinge_audit: Command, tmp_path: Path, suffix: str, keys: bool
    ) -> None:
        rig = tmp_path / f"rig{suffix}"
        skeleton = figure(turned=BAD)
        write(moving(skeleton) if keys else still(skeleton), rig)
        sheet, fixed = tmp_path / "offsets.csv", tmp_path / "fixed"
        done = hinge_audit("rest", rig, "--out", tmp_path / "before", "--fix", sheet)
        assert done.code == 0
        assert f"The axes of 6 of 16 joints are to be turned: {sheet}" in done.out
        before = document(tmp_path / "before" / "rig-rest")
        bad = {each["check"] for each in before["findings"] if each["severity"] == "fix"}
        assert bad == AXIS_CHECKS
        corrected = hinge_audit("correct", rig, "--offsets", sheet, "--out", fixed)
        assert corrected.code == 0, corrected.err
        assert corrected.err == ""
        done = hinge_audit("rest", fixed / rig.name, "--out", tmp_path / "after")
        assert done.code == 0
        after = document(tmp_path / "after" / "rig-rest")
        assert not [each for each in after["findings"] if each["check"] in AXIS_CHECKS]
        assert after["summary"]["axes_to_turn"] == 0
        places = [np.array([row["position"] for row in each["joints"]]) for each in (before, after)]
        np.testing.assert_allclose(places[1], places[0], atol=1e-6)

    def test_an_earlier_sheet_is_renewed_and_never_just_written_over(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        sheet = tmp_path / "offsets.csv"
        words = ("rest", rigs / "broken.glb", "--out", tmp_path / "out", "--fix", sheet, "-q")
        assert hinge_audit(*words).code == 0
        first = sheet.read_text("utf-8")
        again = hinge_audit(*words[:-3], "--fix", sheet, "-q", "--replace")
        assert (again.code, sheet.read_text("utf-8")) == (0, first)
        lines = first.splitlines()
        heading = next(place for place, line in enumerate(lines) if line.startswith("joint,"))
        lines[heading] += ",asked"
        lines[heading + 1] += ",Mia"
        sheet.write_text("\n".join(["# agreed on Monday", *lines]) + "\n", "utf-8")
        refused = hinge_audit(*words)
        assert refused.code == 3
        assert "--replace" in refused.err
        assert hinge_audit(*words, "--replace").code == 0
        kept = read_sheet(sheet.read_bytes(), str(sheet))
        assert "# agreed on Monday" in kept.lines
        assert kept.rows[0].others == {"asked": "Mia"}
        assert sum(row.turns for row in kept.rows) == 6

    def test_what_is_no_sheet_is_refused_before_any_work(
        self, hinge_audit: Command, rigs: Path, tmp_path: Path
    ) -> None:
        notes = tmp_path / "notes.csv"
        notes.write_text("name,age\nMia,7\n")
        out = tmp_path / "out"
        words = ("rest", rigs / "broken.glb", "--out", out, "--fix", notes, "--replace")
        done = hinge_audit(*words)
        assert done.code == 3
        assert "is not the heading of an offsets sheet" in done.err
        assert notes.read_text() == "name,age\nMia,7\n"
        assert not out.exists()

    def test_a_rig_without_rest_rotations_has_no_axes_to_turn(
        self, hinge_audit: Command, tmp_path: Path
    ) -> None:
        (tmp_path / "wade.bvh").write_bytes(demo_files()["wade_messy.bvh"])
        sheet = tmp_path / "offsets.csv"
        done = hinge_audit("rest", tmp_path / "wade.bvh", "--out", tmp_path, "--fix", sheet)
        assert done.code == 0
        assert "The axes of 0 of 40 joints are to be turned" in done.out
        assert not any(row.turns for row in read_sheet(sheet.read_bytes(), str(sheet)).rows)
