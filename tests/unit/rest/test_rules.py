"""The rules of single checks of a rest pose: what is to be fixed, what asks for a look, what is passed over."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.model import Skeleton, Skin
from audit.plugins import Finding
from audit.rest import measure_rest
from audit.rest.sample import figure, sleeve
from audit.rest_checks import rest_checks
from tests.unit.rest.rigs import tube
from tests.unit.rest.test_measures import swinging, without_axes


def asked(
    check: str, skeleton: Skeleton, *, limits: dict[str, float] | None = None, **given: Any
) -> list[Finding]:
    """Return what one check finds."""
    rest = measure_rest(skeleton, **given)
    rule = rest_checks()[check]
    return list(rule.run(skeleton, rest, {**rule.limits, **(limits or {})}))


def everything(skeleton: Skeleton, **given: Any) -> list[tuple[str, str]]:
    """Return check and severity of all findings."""
    found = [each for check in rest_checks() for each in asked(check, skeleton, **given)]
    return [(each.check, each.severity) for each in found]


def bare(skeleton: Skeleton, *, root: bool = True) -> Skeleton:
    """Return a skeleton without rest rotations."""
    return without_axes(skeleton, measure_rest(skeleton), root=root)


def lifted(height: float) -> Skeleton:
    rig = figure()
    offsets = rig.offsets.copy()
    offsets[0, 1] += height
    return replace(rig, offsets=offsets)


class TestGround:
    @pytest.mark.parametrize(("height", "severity"), [(-0.1, "fix"), (0.1, "look")])
    def test_below_the_floor_is_to_be_fixed(self, height: float, severity: str) -> None:
        (found,) = asked("rest-ground", lifted(height))
        assert found.severity == severity
        assert found.value == pytest.approx(100.0 * height / 1.75)
        assert f"{-height:g}".replace("-", "−") + " along Y" in found.message

    def test_a_skin_above_the_floor_is_to_be_fixed(self) -> None:
        rig = lifted(0.1)
        skin = sleeve(rig, "L_Shin", (0.0, -0.45, 0.0))
        (found,) = asked("rest-ground", rig, skins=[skin])
        assert found.severity == "fix"
        assert "a point of the skin" in found.message

    def test_a_root_without_a_place_is_a_note(self) -> None:
        (found,) = asked("rest-ground", bare(figure(), root=False))
        assert found.severity == "note"

    def test_a_guessed_up_axis_is_no_reason_to_fix(self) -> None:
        rig = lifted(-0.1)
        unnamed = replace(rig, names=tuple(f"j{n}" for n in range(len(rig))))
        assert {each.severity for each in asked("rest-ground", unnamed)} == {"look"}
        assert {each.severity for each in asked("rest-ground", unnamed, up="Y")} == {"fix"}


class TestFacing:
    def test_a_stated_direction_holds(self) -> None:
        assert asked("rest-facing", figure(), facing="Z") == []
        (found,) = asked("rest-facing", figure(), facing="X")
        assert found.value == pytest.approx(90.0)
        assert "90° about +Y" in found.message

    def test_shots_that_face_another_way(self) -> None:
        assert asked("rest-facing", figure(), shots_facing="Z") == []
        (found,) = asked("rest-facing", figure(), shots_facing="-Z")
        assert abs(found.value or 0.0) == pytest.approx(180.0)

    def test_a_lean(self) -> None:
        rig = figure()
        turn = Rotation.from_euler("z", 3.0, degrees=True)
        rest = rig.rest_xyzw.copy()
        rest[0] = (turn * Rotation.from_quat(rest[0])).as_quat()
        offsets = rig.offsets.copy()
        offsets[0] = turn.apply(offsets[0])
        found = asked("rest-facing", replace(rig, rest_xyzw=rest, offsets=offsets))
        assert [each.value for each in found] == [pytest.approx(3.0)]
        assert "leans" in found[0].message


class TestScale:
    def test_an_even_scale_of_the_root_may_be_a_unit(self) -> None:
        (found,) = asked("rest-scale", figure(scales={"Hips": (100.0,) * 3}))
        assert found.severity == "look"
        assert found.value == pytest.approx(99.0)
        (found,) = asked("rest-scale", figure(scales={"Neck": (2.0,) * 3}))
        assert found.severity == "fix"

    @pytest.mark.parametrize("quarters", range(4))
    def test_quarter_turns_of_the_root_are_no_rotation_left(self, quarters: int) -> None:
        turned = {"Hips": (0.0, 90.0 * quarters, 0.0)}
        assert asked("rest-scale", figure(turned=turned)) == []
        turned = {"Hips": (0.0, 90.0 * quarters + 0.3, 0.0)}
        (found,) = asked("rest-scale", figure(turned=turned))
        assert found.value == pytest.approx(0.3)
        assert found.severity == "fix"


class TestMiddle:
    def test_drift_is_worth_a_look(self) -> None:
        off = 0.0009 * 1.75
        drift = {"Spine": (off, 0, 0), "Neck": (2 * off, 0, 0), "Head": (3 * off, 0, 0)}
        rig = figure(moved=drift)
        arms = {f"{s}_{n}": (off, 0, 0) for s in "LR" for n in ("UpperArm", "Forearm", "Hand")}
        rig = figure(moved={**drift, **arms})
        found = asked("rest-midline", rig, plane=(np.array([1.0, 0.0, 0.0]), 0.0))
        assert {each.severity for each in found} == {"look"}
        assert [rig.names[each.joint or 0] for each in found] == ["Neck"]

    def test_a_twist_of_a_few_hundredths_is_found(self) -> None:
        assert asked("rest-midline-twist", figure(turned={"Neck": (0.04, 0, 0)})) == []
        (found,) = asked("rest-midline-twist", figure(turned={"Neck": (0.06, 0, 0)}))
        assert found.value == pytest.approx(0.06, abs=1e-6)
        assert "−0.06° about the limb" in found.message


class TestMirror:
    @pytest.mark.parametrize("angle", [90.0, 180.0])
    def test_the_message_says_how_the_sides_swing(self, angle: float) -> None:
        (found,) = asked("rest-mirror", figure(turned={"L_Shin": (angle, 0.0, 0.0)}))
        assert figure().names[found.joint or 0] == "L_Shin"
        assert f"{angle:.0f}° apart" in found.message
        assert "X swings them alike" in found.message
        if angle == 180.0:
            assert "Z swings them opposite ways" in found.message
        else:
            assert "Z swings the two about different axes" in found.message

    @pytest.mark.parametrize("name", ["L_Shin", "R_Shin", "L_UpperArm", "R_Hand"])
    def test_the_turn_in_the_message_mends_it(self, name: str) -> None:
        (found,) = asked("rest-mirror", figure(turned={name: (25.0, 0.0, 0.0)}))
        # About +X of the joint; the limb is along −X on the right.
        said = "−25° about the limb" if name.startswith("L") else "25° about the limb"
        other = "−25° about the limb" if name.startswith("R") else "25° about the limb"
        named = figure().names[found.joint or 0]
        assert (said if named == name else other) in found.message

    def test_the_move_in_the_message_mends_it(self) -> None:
        (found,) = (
            each
            for each in asked("rest-mirror", figure(moved={"L_Hand": (0.02, 0.0, 0.0)}))
            if each.check == "rest-mirror"
        )
        # Either hand can be moved: the left one back, or the right one out as far.
        named = figure().names[found.joint or 0]
        assert "move " + named + " by −0.02 along X" in found.message
        assert found.value == pytest.approx(2.0 / 1.75)


class TestBend:
    def test_the_wrong_way_is_to_be_fixed(self) -> None:
        moved = {"L_Shin": (0.0, 0.0, -0.04), "R_Shin": (0.0, 0.0, -0.04)}
        found = asked("rest-pre-bend", figure(moved=moved))
        assert {each.severity for each in found} == {"fix"}
        assert [each.value for each in found] == [pytest.approx(-5.5887, abs=1e-3)] * 2
        assert all("the wrong way" in each.message for each in found)

    def test_the_motion_overrules_the_name(self) -> None:
        rig = figure()
        joint, rest = rig.names.index("L_Shin"), measure_rest(rig)
        backwards = -rest.world.axes[joint].T @ rest.bends.normal[joint]
        found = asked("rest-pre-bend", rig, motion=swinging(rig, "L_Shin", backwards))
        assert [each.joint for each in found] == [joint]
        assert "so says the motion" in found[0].message

    def test_on_one_side_only_the_pair_is_to_be_mended(self) -> None:
        found = everything(figure(moved={"L_Shin": (0.0, 0.0, -0.0195)}))
        assert ("rest-mirror", "fix") in found
        assert ("rest-pre-bend", "look") in found
        assert [each for each in found if each[1] == "fix"] == [("rest-mirror", "fix")]

    def test_without_rest_rotations_a_straight_limb_is_worth_a_look(self) -> None:
        moved = {"L_Shin": (0.0, 0.0, -0.02), "R_Shin": (0.0, 0.0, -0.02)}
        found = asked("rest-pre-bend", bare(figure(moved=moved)))
        assert {each.severity for each in found} == {"look"}
        assert len(found) == 2

    def test_a_strong_bend_is_worth_a_look(self) -> None:
        moved = {"L_Shin": (0.0, 0.0, 0.06), "R_Shin": (0.0, 0.0, 0.06)}
        found = asked("rest-pre-bend", figure(moved=moved))
        assert [(each.severity, each.limit) for each in found] == [("look", 15.0)] * 2


class TestAim:
    def test_letters_that_change_along_a_chain_are_worth_a_look(self) -> None:
        turned = {"L_Forearm": (0.0, 90.0, 0.0), "R_Forearm": (0.0, 90.0, 0.0)}
        found = asked("rest-aim", figure(turned=turned))
        assert [(each.severity, each.value) for each in found] == [("look", 90.0)] * 2
        assert "most joints of its chain with +X" in found[0].message

    def test_a_joint_out_of_place_is_not_blamed_for_its_axes(self) -> None:
        found = everything(figure(moved={"Neck": (0.01, 0.0, 0.0)}))
        assert found == [("rest-midline", "fix")]


class TestOrder:
    def test_left_and_right_are_to_be_fixed_on_the_odd_side(self) -> None:
        (found,) = asked("rest-order", figure(orders={"R_Forearm": "YXZ"}))
        assert (found.severity, figure().names[found.joint or 0]) == ("fix", "R_Forearm")
        assert "set it to XYZ" in found.message

    def test_a_hinge_on_the_outside_is_worth_a_look(self) -> None:
        orders = {"L_Shin": "ZXY", "R_Shin": "ZXY"}
        found = asked("rest-order", figure(orders=orders))
        assert [each.severity for each in found] == ["look", "look"]
        assert "outermost" in found[0].message
        assert "XYZ or YXZ" in found[0].message

    def test_a_chain_is_worth_a_look(self) -> None:
        orders = {"L_Hand": "YXZ", "R_Hand": "YXZ"}
        found = asked("rest-order", figure(orders=orders))
        assert ["most joints of its chain" in each.message for each in found] == [True, True]

    def test_orders_that_nobody_states_are_passed_over(self) -> None:
        rig = figure()
        assert asked("rest-order", replace(rig, orders=(None,) * len(rig))) == []


class TestNames:
    def test_capitals(self) -> None:
        (found,) = asked("rest-names", figure(renamed={"Head": "neck"}))
        assert found.severity == "fix"
        assert "capitals" in found.message

    def test_exchanged_names(self) -> None:
        exchanged = {"L_Hand": "R_Hand", "R_Hand": "L_Hand"}
        (found,) = asked("rest-names", figure(renamed=exchanged))
        assert found.severity == "fix"
        assert "exchange" in found.message

    def test_a_part_of_one_side_is_a_note(self) -> None:
        (found,) = asked("rest-names", figure(renamed={"L_Hand": "L_Hook", "R_Hand": "Stump"}))
        assert found.severity == "fix"  # they stand at each other's place
        rig = figure()
        cut = [n for n, name in enumerate(rig.names) if name != "R_Hand"]
        place = {old: new for new, old in enumerate(cut)}
        kept = np.isin(rig.tip_joints, cut)
        lame = Skeleton(
            tuple(rig.names[n] for n in cut),
            np.array([place.get(int(rig.parents[n]), -1) for n in cut]),
            rig.offsets[cut],
            rig.rest_xyzw[cut],
            tuple(rig.orders[n] for n in cut),
            np.array([place[int(n)] for n in rig.tip_joints[kept]]),
            rig.tip_offsets[kept],
        )
        (found,) = asked("rest-names", lame)
        assert (found.severity, found.message) == ("note", "L_Hand has no partner on the right")


class TestCentred:
    @pytest.mark.parametrize(("inward", "shallow"), [(0.04, True), (-0.04, False)])
    def test_a_hip_on_the_outside_is_too_shallow(self, inward: float, shallow: bool) -> None:
        rig = figure()
        rest = measure_rest(rig)
        hip, knee = rig.names.index("L_Thigh"), rig.names.index("L_Shin")
        places = rest.world.positions
        cloud = tube(places[hip], places[knee], 0.08, 9) + np.array([-inward, 0.0, 0.0])
        bind = np.eye(4)
        bind[:3, :3] = rest.world.axes[hip].T
        bind[:3, 3] = -rest.world.axes[hip].T @ places[hip]
        ones = np.ones((len(cloud), 1))
        none = np.zeros((len(cloud), 1), dtype=np.int64)
        leg = Skin("leg", np.array([hip]), bind[None], cloud, none, ones)
        # The same tube is as far beside the knee, where no depth is spoken of.
        found, knees = asked("rest-centred", rig, skins=[leg])
        assert (found.severity, found.joint, knees.joint) == ("look", hip, knee)
        assert "too shallow" not in knees.message
        assert found.value == pytest.approx(25.0, rel=0.01)
        assert ("too shallow" in found.message) == shallow
