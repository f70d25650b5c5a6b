"""From a file to its rest pose: what files state, what goes before what, rest.json, and the sheet."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from scipy.spatial.transform import Rotation

from audit.demo import demo_files
from audit.errors import InputError, UsageError
from audit.formats import formats
from audit.measures import measure_shot
from audit.model import Shot, Skeleton, Source, World
from audit.pipeline import read_all, turned
from audit.plugins import SEVERITIES, Finding, Opened
from audit.rest import measure_rest
from audit.rest.sample import figure
from audit.rest.sections import rest_points
from audit.rest_checks import rest_checks
from audit.resting import examine_rest, fixing_sheet, longest, metres_of_unit, rest_schema
from audit.resting.examination import SYMBOLS, worst_first
from tests.formats.collada_making import Joint, document, shot_of
from tests.formats.gltf_making import Making
from tests.formats.test_gltf_skins import skinned
from tests.formats.usd_making import TEXT, shot_in, swapped
from tests.strategies import skeletons
from tests.unit.rest.bodies import clean_rig

VALIDATOR = jsonschema.Draft202012Validator(dict(rest_schema()))


def at_rest(skeleton: Skeleton, **more: Any) -> Shot:
    """Return a shot of one frame at rest."""
    return Shot(
        skeleton,
        np.zeros(1),
        Source("rigs/rig.glb"),
        rotations=skeleton.rest_xyzw[None],
        **more,
    )


def written(skeleton: Skeleton, path: Path) -> Path:
    """Write a skeleton at rest in the format of a suffix."""
    kind = formats()["gltf" if path.suffix == ".glb" else "usd"]
    assert kind.write is not None
    for name, data in kind.write([at_rest(skeleton)], path.name).items():
        (path.parent / name).write_bytes(data)
    return path


class TestWhatFilesState:
    def test_gltf_states_all_three_for_every_file(self, tmp_path: Path) -> None:
        path = written(figure(), tmp_path / "rig.glb")
        (shot,) = read_all(path)
        assert shot.world == World("+Y", "+Z", 1.0)
        world = examine_rest(path).document["world"]
        assert world["up"] == {
            "direction": [0.0, 1.0, 0.0],
            "from": "stated by the file",
            "sure": True,
        }
        assert world["facing"]["should_be"] == [0.0, 0.0, 1.0]
        assert world["facing"]["should_be_from"] == "stated by the file"
        assert world["unit"] == {"metres": 1.0, "name": "metre", "from": "stated by the file"}

    def test_usd_states_what_is_written_in_the_layer(self) -> None:
        assert shot_in(TEXT).world == World(up="+Y")
        both = swapped('upAxis = "Y"', 'upAxis = "Z"\n    metersPerUnit = 0.01')
        assert shot_in(both).world == World(up="+Z", metres=0.01)
        assert shot_in(swapped('    upAxis = "Y"\n', "")).world is None

    @pytest.mark.parametrize("where", ['def SkelRoot "Heron"', 'def Skeleton "Skel"'])
    def test_usd_states_nothing_of_a_skeleton_that_is_moved_in_the_stage(self, where: str) -> None:
        start = TEXT.index("{", TEXT.index(")", TEXT.index(where))) + 1
        moved = TEXT[:start] + (
            "\n    double3 xformOp:translate = (0, 1, 0)\n"
            '    uniform token[] xformOpOrder = ["xformOp:translate"]\n'
        )
        assert shot_in(moved + TEXT[start:]).world is None

    @pytest.mark.parametrize("metres", ["0", "-1", "nan", "inf"])
    def test_a_unit_that_is_no_length_states_nothing(self, metres: str) -> None:
        text = swapped('upAxis = "Y"', f'upAxis = "Y"\n    metersPerUnit = {metres}')
        assert shot_in(text).world == World(up="+Y")
        data = document([Joint("Hips")]).replace(b'meter="0.01"', f'meter="{metres}"'.encode())
        assert shot_of(data).world == World(up="+Z")

    @pytest.mark.parametrize(
        ("old", "new", "world"),
        [
            (b"", b"", World(up="+Z", metres=0.01)),
            (b"Z_UP", b" Y_UP\n", World(up="+Y", metres=0.01)),
            (b"Z_UP", b"X_UP", World(up="+X", metres=0.01)),
            (b"<up_axis>Z_UP</up_axis>", b"", World(metres=0.01)),
            (b' meter="0.01"', b"", World(up="+Z")),
            (b"Z_UP", b"SIDEWAYS", World(metres=0.01)),
        ],
    )
    def test_collada_states_it_in_its_asset(self, old: bytes, new: bytes, world: World) -> None:
        assert shot_of(document([Joint("Hips")]).replace(old, new)).world == world

    def test_collada_without_an_asset_states_nothing(self) -> None:
        data = document([Joint("Hips")])
        start, end = data.index(b"<asset>"), data.index(b"</asset>") + len(b"</asset>")
        assert shot_of(data[:start] + data[end:]).world is None

    def test_other_formats_state_nothing(self) -> None:
        for name in ("bvh", "acclaim", "csv", "parquet"):
            kind = formats()[name]
            assert all(shot.world is None for shot in kind.read(kind.sample()))


class TestWhatGoesBeforeWhat:
    def test_what_is_given_goes_before_what_is_stated(self, tmp_path: Path) -> None:
        path = written(figure(), tmp_path / "rig.glb")
        world = examine_rest(path, facing="+X", unit=0.01).document["world"]
        assert world["facing"]["should_be"] == [1.0, 0.0, 0.0]
        assert world["facing"]["should_be_from"] == world["unit"]["from"] == "given"
        assert world["unit"] == {"metres": 0.01, "name": "centimetre", "from": "given"}
        assert world["up"]["from"] == "stated by the file"

    def test_what_is_neither_is_found_and_said_to_be(self) -> None:
        world = examine_rest(at_rest(figure(size=100.0))).document["world"]
        assert world["up"]["from"] == "found: the feet are below the trunk"
        assert world["facing"]["should_be_from"] == "the nearest axis of the world"
        assert world["unit"] == {"metres": 0.01, "name": "centimetre", "from": "guessed"}
        assert world["height"] == {"units": 175.0, "metres": 1.75, "top_seen": True}

    def test_an_up_axis_that_is_given_drops_a_stated_forward_along_it(self) -> None:
        stated = at_rest(figure(), world=World("+Y", "+Z", 1.0))
        world = examine_rest(stated, up="+Z").document["world"]
        assert world["up"]["direction"] == [0.0, 0.0, 1.0]
        assert world["facing"]["should_be_from"] != "stated by the file"
        world = examine_rest(stated, facing="-Y").document["world"]
        assert world["facing"]["should_be"] == [0.0, -1.0, 0.0]
        assert world["up"]["from"] == "found: the feet are below the trunk"

    @pytest.mark.parametrize(
        ("given", "cause"),
        [
            ({"up": "up"}, "'up' is not a direction"),
            ({"facing": "W"}, "'W' is not a direction"),
            ({"up": "+Y", "facing": "-Y"}, "cannot face along the up axis"),
            ({"unit": 0.0}, "is no length"),
            ({"unit": float("nan")}, "is no length"),
        ],
    )
    def test_what_cannot_be_is_refused(self, given: dict[str, Any], cause: str) -> None:
        with pytest.raises(UsageError, match=cause):
            examine_rest(at_rest(figure()), **given)

    def test_units_as_people_write_them(self) -> None:
        assert metres_of_unit(" CM ") == metres_of_unit("centimetre") == 0.01
        assert metres_of_unit("0.3048") == metres_of_unit("ft") == SYMBOLS["foot"]
        for text in ("parsec", "", "-1", "0", "nan", "inf"):
            with pytest.raises(UsageError, match="no unit of length"):
                metres_of_unit(text)


class TestExamining:
    def test_a_file_and_its_shot_give_the_same(self, tmp_path: Path) -> None:
        path = tmp_path / "wade.bvh"
        path.write_bytes(demo_files()["wade_messy.bvh"])
        (shot,) = read_all(path)
        assert examine_rest(path).document == examine_rest(shot).document

    def test_the_findings_are_those_of_the_checks(self) -> None:
        skeleton = figure(turned={"R_Forearm": (180.0, 0.0, 0.0)}, moved={"Spine": (0.01, 0, 0)})
        rest = measure_rest(skeleton)
        expected = {
            each.message
            for check in rest_checks().values()
            for each in check.run(skeleton, rest, check.limits)
        }
        found = examine_rest(at_rest(skeleton)).findings
        assert {each.message for each in found} == expected
        assert len(found) == len(expected)

    def test_the_longest_shot_of_a_file_says_which_way_a_knee_works(self, tmp_path: Path) -> None:
        files = demo_files()
        path = tmp_path / "wade.bvh"
        path.write_bytes(files["wade_clean.bvh"])
        (shot,) = read_all(path)
        measures = measure_shot(shot)
        direct = measure_rest(shot.skeleton, motion=measures)
        mine = examine_rest(path)
        assert mine.with_motion
        assert mine.measures.bends.way_from == direct.bends.way_from
        np.testing.assert_array_equal(mine.measures.bends.right_way, direct.bends.right_way)
        assert not examine_rest(shot, motion=None).with_motion
        assert longest((at_rest(figure()), shot)) is shot

    def test_no_key_is_needed(self, tmp_path: Path) -> None:
        for name in ("rig.glb", "rig.usda"):
            examined = examine_rest(written(figure(), tmp_path / name))
            assert not examined.with_motion
            assert not [each for each in examined.findings if each.severity == "fix"]

    def test_a_rig_that_was_looked_at_is_not_measured_again(self) -> None:
        first, second = (examine_rest(at_rest(figure())) for _ in range(2))
        assert first.measures is second.measures
        assert examine_rest(at_rest(figure(size=2.0))).measures is not first.measures
        assert examine_rest(at_rest(figure()), up="+Y").measures is not first.measures
        assert examine_rest(at_rest(figure()), unit=1.0).measures is not first.measures

    def test_a_file_that_cannot_be_read(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="cannot be opened"):
            examine_rest(tmp_path / "gone.glb")

    def test_a_file_of_several_shots_is_one_rig(self, tmp_path: Path) -> None:
        kind = formats()["gltf"]
        assert kind.write is not None
        shots = []
        for name in ("wade_messy.bvh", "strike_messy.bvh"):
            (tmp_path / name).write_bytes(demo_files()[name])
            shots += read_all(tmp_path / name)
        (tmp_path / "two.glb").write_bytes(kind.write(shots, "two.glb")["two.glb"])
        examined = examine_rest(tmp_path / "two.glb")
        assert examined.source.file == str(tmp_path / "two.glb")
        assert examined.source.label == "two"


class TestSkins:
    def shot(self, making: Making) -> Shot:
        return formats()["gltf"].read(Opened(making.glb(), "rig.glb"))[0]

    def test_they_come_with_the_file(self) -> None:
        shot = self.shot(skinned(3, even=True))
        examined = examine_rest(shot)
        assert len(examined.skins) == 1
        source = examined.document["source"]
        assert (source["skins"], source["skin_points"]) == (1, 40)
        assert len(examined.measures.sections.points) == 40

    def test_points_stay_where_axes_were_turned_in_memory(self) -> None:
        shot = self.shot(skinned(3, even=True))
        sheet = fixing_sheet(examine_rest(shot))
        rng = np.random.default_rng(1)
        rows = tuple(
            replace(
                row,
                limb_axis=None,
                twist_offset_deg=None,
                full_offset_xyzw=tuple(Rotation.random(rng=rng).as_quat().tolist()),
            )
            for row in sheet.rows
        )
        changed = turned(shot, replace(sheet, rows=rows)).shot
        before, after = (examine_rest(each) for each in (shot, changed))
        points = [rest_points(each.skins[0], each.measures.world) for each in (before, after)]
        np.testing.assert_allclose(points[1], points[0], atol=1e-5)

    def test_a_broken_one_is_noted_and_the_rest_is_done(self) -> None:
        making = skinned(3)
        making.top["meshes"][0]["primitives"][0]["attributes"].pop("WEIGHTS_0")
        examined = examine_rest(self.shot(making))
        assert examined.skins == ()
        (note,) = [each for each in examined.findings if each.check == "rest-centred"]
        assert (note.severity, note.joint, note.value) == ("note", None, None)
        assert "The skin could not be read" in note.message
        assert examined.document["source"]["skin_problem"] in note.message
        VALIDATOR.validate(examined.document)


class TestOrder:
    def test_the_worst_comes_first(self) -> None:
        def finding(severity: Any, value: float, limit: float, joint: int | None) -> Finding:
            return Finding("rest-aim", severity, "x", value, limit, joint)

        little, much = finding("fix", 1.0, 0.5, 1), finding("fix", -9.0, 0.5, 4)
        whole, exact = finding("fix", 2.0, 1.0, None), finding("fix", 1.0, 0.0, 3)
        look, note = finding("look", 99.0, 0.5, 0), finding("note", 99.0, 0.5, None)
        given = (note, little, look, exact, much, whole)
        assert worst_first(given) == (whole, much, little, exact, look, note)
        assert worst_first(reversed(given)) == worst_first(given)

    @pytest.mark.parametrize("seed", range(4))
    def test_numbers_follow_the_order(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        rig.names[-1] += "x"
        found = examine_rest(at_rest(rig.skeleton())).document["findings"]
        assert [each["number"] for each in found] == list(range(1, len(found) + 1))
        ranks = [SEVERITIES.index(each["severity"]) for each in found]
        assert ranks == sorted(ranks)


def objects(value: Any) -> list[Mapping[str, Any]]:
    """Return all parts of a schema that say what an object holds."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else []
    own = [value] if isinstance(value, dict) and "properties" in value else []
    return own + [each for part in inner for each in objects(part)]


class TestContract:
    def test_the_schema_is_one_and_closes_every_object(self) -> None:
        jsonschema.Draft202012Validator.check_schema(dict(rest_schema()))
        found = objects(dict(rest_schema()))
        assert len(found) > 12
        for each in found:
            assert each["additionalProperties"] is False
            assert set(each["required"]) == set(each["properties"])

    @pytest.mark.parametrize("seed", range(8))
    def test_rigs_of_all_kinds_fit(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        found = examine_rest(at_rest(rig.skeleton())).document
        VALIDATOR.validate(found)
        json.dumps(found, allow_nan=False)
        assert found["summary"]["fix"] == 0
        assert len(found["joints"]) == found["source"]["joints"] == len(rig)
        assert (
            len(found["pairs"]) == found["summary"]["pairs"] == sum(s != 0 for s in rig.sides) // 2
        )

    @given(skeletons())
    def test_any_skeleton_fits(self, skeleton: Skeleton) -> None:
        found = examine_rest(at_rest(skeleton)).document
        VALIDATOR.validate(found)
        json.dumps(found, allow_nan=False)

    def test_a_single_joint_fits(self) -> None:
        found = examine_rest(at_rest(Skeleton.plain(["Hips"], [-1], [[0.0, 0.0, 0.0]]))).document
        VALIDATOR.validate(found)
        assert found["world"]["plane"]["normal"] is None

    def test_figures_are_those_of_the_measures(self) -> None:
        skeleton = figure(turned={"L_Thigh": (0.0, 0.0, 3.0)}, moved={"Spine": (0.01, 0.0, 0.0)})
        examined = examine_rest(at_rest(skeleton))
        found, rest = examined.document, examined.measures
        rows = {row["joint"]: row for row in found["joints"]}
        assert rows["L_Thigh"]["aim_error_deg"] == pytest.approx(3.0, abs=1e-6)
        assert rows["L_Thigh"]["mend"]["because"] == ["rest-aim"]
        turn = Rotation.from_quat(rows["L_Thigh"]["mend"]["axes_xyzw"]).as_rotvec(degrees=True)
        np.testing.assert_allclose(turn, [0.0, 0.0, -3.0], atol=1e-4)
        assert rows["Spine"]["off_plane_own"] == pytest.approx(0.01)
        assert rows["Spine"]["side"] == "middle"
        assert (rows["L_Hand"]["side"], rows["L_Hand"]["partner"]) == ("left", "R_Hand")
        for row in found["joints"]:
            joint = skeleton.names.index(row["joint"])
            np.testing.assert_allclose(row["position"], rest.world.positions[joint], atol=1e-9)
            for axis, letter in enumerate("XYZ"):
                own = rest.world.axes[joint, :, axis]
                np.testing.assert_allclose(row["axes"][letter], own, atol=1e-6)
        (thigh,) = [pair for pair in found["pairs"] if pair["left"] == "L_Thigh"]
        assert thigh["axes_own_deg"] == pytest.approx(3.0, abs=1e-6)
        assert thigh["off_percent"] == 0.0
        assert found["settings"]["checks"] == {
            name: dict(check.limits) for name, check in rest_checks().items()
        }

    def test_places_apart_are_of_the_height_and_limbs_of_the_mirror_image(self) -> None:
        found = examine_rest(at_rest(figure(moved={"L_Hand": (0.0, 0.0, 0.0175)}))).document
        pairs = {pair["left"]: pair for pair in found["pairs"]}
        assert pairs["L_Hand"]["off_percent"] == pytest.approx(1.0, abs=1e-6)
        assert pairs["L_Forearm"]["off_percent"] == 0.0
        # The forearm goes from (0.45, 1.4, −0.01) to (0.7, 1.4, 0), and now to (0.7, 1.4, 0.0175).
        wanted = np.rad2deg(np.arctan2(0.0275, 0.25) - np.arctan2(0.01, 0.25))
        assert pairs["L_Forearm"]["limb_apart_deg"] == pytest.approx(wanted, abs=1e-5)
        assert pairs["L_Forearm"]["swings"] == dict.fromkeys("XYZ", "alike")

    def test_without_rest_rotations_nothing_is_said_of_axes(self) -> None:
        plain = figure()
        world = measure_rest(plain).world.positions
        bare = Skeleton.plain(
            plain.names,
            plain.parents.tolist(),
            [p - (world[q] if q >= 0 else 0) for p, q in zip(world, plain.parents, strict=True)],
        )
        found = examine_rest(at_rest(bare, has_rest_rotations=False)).document
        assert found["source"]["has_axes"] is False
        for row in found["joints"]:
            assert (
                row["aims_with"] is row["aim_error_deg"] is row["twist_deg"] is row["mend"] is None
            )
        assert all(pair["swings"] is pair["axes_apart_deg"] is None for pair in found["pairs"])
        VALIDATOR.validate(found)


class TestSheet:
    def test_a_turn_about_the_limb_is_a_twist_and_any_other_is_in_full(self) -> None:
        skeleton = figure(turned={"R_Forearm": (90.0, 0.0, 0.0), "L_Thigh": (0.0, 0.0, 3.0)})
        sheet = fixing_sheet(examine_rest(at_rest(skeleton)))
        rows = {row.joint: row for row in sheet.rows}
        assert list(rows) == list(skeleton.names)
        assert {name for name, row in rows.items() if row.turns} == {"R_Forearm", "L_Thigh"}
        arm, leg = rows["R_Forearm"], rows["L_Thigh"]
        # X points against the limb on the right side, so a quarter turn about X is one back about the limb.
        assert arm.twist_offset_deg == pytest.approx(90.0)
        assert (arm.full_offset_xyzw, arm.reason) == (None, "rest-mirror")
        assert leg.twist_offset_deg is None
        assert leg.full_offset_xyzw is not None
        turn = Rotation.from_quat(leg.full_offset_xyzw).as_rotvec(degrees=True)
        np.testing.assert_allclose(turn, [0.0, 0.0, -3.0], atol=1e-9)
        assert rows["Hips"].reason == "a root: its axes are the world's business"
        assert rows["Neck"].reason == "its axes are in order at rest"

    def test_where_there_are_no_rest_rotations_there_is_nothing_to_turn(self) -> None:
        bare = Skeleton.plain(["Hips", "Spine"], [-1, 0], [[0.0, 1.0, 0.0], [0.0, 0.3, 0.1]])
        rows = fixing_sheet(examine_rest(at_rest(bare, has_rest_rotations=False))).rows
        assert not any(row.turns for row in rows)
        assert rows[1].reason == "the format has no rest rotations: there are no axes to mend"

    def test_corrected_axes_leave_nothing_to_correct(self) -> None:
        skeleton = figure(turned={"R_Forearm": (90.0, 0.0, 0.0), "L_Thigh": (0.0, 0.0, 3.0)})
        shot = at_rest(skeleton)
        before = examine_rest(shot)
        assert [each for each in before.findings if each.severity == "fix"]
        after = examine_rest(turned(shot, fixing_sheet(before)).shot)
        assert not [each for each in after.findings if each.severity == "fix"]
        assert after.document["summary"]["axes_to_turn"] == 0
        np.testing.assert_allclose(
            after.measures.world.positions, before.measures.world.positions, atol=1e-9
        )
