"""When each check fires, how severely, and what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.checks import checks
from audit.measures import measure_shot
from audit.model import Channels, Shot, Skeleton, Source, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import examine
from audit.plugins import Finding
from audit.rotations import rotate
from audit.settings import Settings
from tests.strategies import Array, shots
from tests.unit.measures.making import IDENTITY, KNEE, limb_of, turn

DOWN = [0.0, -1.0, 0.0]
LIMB = np.array(DOWN)
CLEAN = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))


def found(name: str, shot: Shot, settings: Settings | None = None) -> list[Finding]:
    check = checks()[name]
    return list(check.run(shot, measure_shot(shot, settings), check.limits))


def one(name: str, shot: Shot, settings: Settings | None = None) -> Finding:
    (finding,) = found(name, shot, settings)
    return finding


def twisted(degrees: float, high: float = 70.0, frames: int = 97, order: str = "YZX") -> Shot:
    """Return a hinge on X whose axes are off by an angle about the limb."""
    axis = rotate(turn(LIMB, degrees), np.array([1.0, 0.0, 0.0]))
    channels = hinge_channels(axis.tolist(), bend(high=high, frames=frames), order)
    return limb_shot(channels, order=order)


def with_limb(shot: Shot, limb: npt.ArrayLike) -> Shot:
    """Return a shot whose middle joint has another limb axis."""
    offsets = shot.skeleton.offsets.copy()
    offsets[2] = limb
    return replace(shot, skeleton=replace(shot.skeleton, offsets=offsets))


class TestTwist:
    @pytest.mark.parametrize(
        ("degrees", "fires"), [(1.9, False), (2.1, True), (-1.9, False), (-2.1, True)]
    )
    def test_its_limit(self, degrees: float, fires: bool) -> None:
        assert bool(found("twist", twisted(degrees))) == fires

    @pytest.mark.parametrize("degrees", [-33.1, 33.1])
    def test_a_sure_offset_that_costs_a_channel_is_to_be_mended(self, degrees: float) -> None:
        finding = one("twist", twisted(degrees))
        assert finding.severity == "fix"
        assert finding.value == pytest.approx(degrees, abs=1e-3)
        assert finding.limit == 2.0
        way = "clockwise" if degrees > 0 else "counter-clockwise"
        told = f"{degrees:.1f}°".replace("-", "−")
        assert finding.message.startswith(
            f"Turn the axes of L_Knee by {told} about the limb: 33.1° {way},"
        )
        assert f"(95% interval {told} to {told})" in finding.message

    def test_one_that_costs_nothing_asks_for_a_look(self) -> None:
        # Six degrees of bend leak about half a degree.
        finding = one("twist", twisted(5.0, high=6.0))
        assert finding.severity == "look"

    def test_one_that_is_not_sure_asks_for_a_look(self) -> None:
        generator = np.random.default_rng(1)
        clean = twisted(4.0, high=30.0, frames=40)
        assert clean.channels is not None
        values = clean.channels.values.copy()
        values[:, 3:6] += 1.3 * generator.normal(size=(40, 3))
        shot = replace(clean, channels=replace(clean.channels, values=values))
        low, high = measure_shot(shot).twist_interval_deg[KNEE]
        assert low < 2.0 < high
        assert one("twist", shot).severity == "look"

    def test_too_few_keys_to_be_sure_ask_for_a_look(self) -> None:
        finding = one("twist", twisted(30.0, frames=7))
        assert finding.severity == "look"
        assert "too few keys to say how sure that is" in finding.message

    def test_without_an_offset_it_is_silent(self) -> None:
        assert found("twist", twisted(30.0, high=4.0)) == []
        assert found("twist", limb_shot(hinge_channels((0.0, 1.0, 0.0), bend()))) == []


class TestSpread:
    def test_a_spread_that_can_be_mended(self) -> None:
        finding = one("spread", twisted(30.0))
        measures = measure_shot(twisted(30.0))
        assert finding.severity == "fix"
        assert finding.value == pytest.approx(measures.now.channel_spread[KNEE])
        assert finding.message.startswith("L_Knee is a hinge spread over 3 curves (channel spread ")
        now, after = measures.now.edit_keys[KNEE], measures.after_twist.edit_keys[KNEE]
        assert finding.message.endswith(f"clean axes bring {now} edit keys down to {after}")

    def test_a_hinge_on_one_moving_channel_is_never_reported(self) -> None:
        assert found("spread", CLEAN) == []
        assert found("spread", twisted(8.0, high=6.0)) == []

    def test_a_lean_along_the_limb_cannot_be_mended(self) -> None:
        finding = one("spread", limb_shot(hinge_channels((1.0, 0.5, 0.0), bend())))
        assert finding.severity == "look"
        assert "its hinge axis leans 26.6° along the limb" in finding.message

    def test_where_there_is_no_offset_it_says_why(self) -> None:
        finding = one("spread", twisted(30.0), Settings(suggestion_range_deg=90.0))
        assert finding.severity == "look"
        assert "no offset is suggested because it turns only 70.0°" in finding.message

    def test_a_second_freedom_of_its_own(self) -> None:
        channels = hinge_channels((1.0, 0.0, 0.0), bend(high=80.0))
        channels[:, 2] += 4.0 * np.sin(np.linspace(0.0, 40.0, 97))
        finding = one("spread", limb_shot(channels))
        assert finding.severity == "look"
        assert finding.message.endswith(
            "the spread is the motion's own, no turn of the axes takes it away"
        )

    @given(shots())
    def test_a_mend_saves_keys(self, shot: Shot) -> None:
        for finding in found("spread", shot):
            told = finding.message.split("clean axes bring ")
            if len(told) == 2:
                now, after = told[1].replace(",", "").split(" down to ")
                assert int(now.split()[0]) > int(after)

    def test_what_a_turn_would_mend_is_not_called_beyond_mending(self) -> None:
        # Two keys: the twist takes most of the spread away, though all three channels still move a little.
        axis = rotate(turn(LIMB, 35.0), np.array([1.0, 0.04, 0.0]))
        shot = limb_of(turn(axis, [0.0, 110.0]), order="YZX")
        measures = measure_shot(shot)
        assert measures.causes[KNEE, 0] > 5.0 * measures.causes[KNEE, 3]
        for finding in found("spread", shot):
            assert "no turn" not in finding.message


class TestAim:
    def test_oblique_axes_that_cost_a_curve(self) -> None:
        limb = np.array([0.5, -0.8, 0.2])
        hinge = np.cross(limb, [0.1, 0.3, 1.0])
        shot = with_limb(limb_shot(hinge_channels(hinge.tolist(), bend())), limb)
        finding = one("aim", shot)
        assert finding.severity == "fix"
        assert "aim the axes first" in finding.message
        assert finding.value == pytest.approx(measure_shot(shot).aim_error_deg[KNEE])

    def test_oblique_axes_that_cost_nothing(self) -> None:
        # The hinge lies on X, and the limb leans at right angles to it.
        finding = one("aim", with_limb(CLEAN, [0.0, -1.0, 0.3]))
        assert finding.severity == "note"
        assert finding.message.endswith("16.7° away, which costs this hinge next to nothing")

    @given(shots())
    def test_what_costs_more_than_the_limit_is_not_called_next_to_nothing(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        for finding in found("aim", shot):
            if "next to nothing" in finding.message and finding.joint is not None:
                assert measures.causes[finding.joint, 1] <= 0.1 or (
                    measures.now.moving_channels[finding.joint] == 1
                )

    @pytest.mark.parametrize(("lean", "fires"), [(0.49, False), (0.51, True)])
    def test_its_limit(self, lean: float, fires: bool) -> None:
        shot = with_limb(CLEAN, [0.0, -1.0, np.tan(np.deg2rad(lean))])
        assert bool(found("aim", shot)) == fires


class TestOrder:
    WOBBLE = hinge_channels((1.0, 0.03, 0.03), bend(high=120.0), "YXZ")

    def test_a_hinge_on_the_middle_channel_past_the_lock(self) -> None:
        finding = one("order", limb_shot(self.WOBBLE, order="YXZ"))
        assert finding.severity == "fix"
        assert "The rotation order of L_Knee, YXZ, costs it" in finding.message

    def test_on_one_channel_it_does_not_matter(self) -> None:
        assert (
            found("order", limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(), "YXZ"), order="YXZ"))
            == []
        )

    def test_the_order_with_the_hinge_innermost_is_passed_over(self) -> None:
        channels = hinge_channels((1.0, 0.03, 0.03), bend(high=120.0), "YZX")
        assert found("order", limb_shot(channels, order="YZX")) == []


class TestGimbal:
    @pytest.mark.parametrize(("reach", "fires"), [(74.0, False), (76.0, True)])
    def test_its_limit(self, reach: float, fires: bool) -> None:
        shot = limb_shot(hinge_channels((0.0, 0.0, 1.0), bend(high=reach)))
        assert [each.severity for each in found("gimbal", shot)] == ["look"] * fires

    def test_it_names_the_channel_the_order_and_the_frames(self) -> None:
        channels = np.zeros((4, 3))
        channels[:, 2] = [0.0, 80.0, 84.0, 20.0]
        assert one("gimbal", limb_shot(channels)).message == (
            "The middle channel (Z of YZX) of L_Knee comes within 6.0° of its lock; 50% of the "
            "frames are nearer than 15°"
        )

    def test_a_joint_that_stands_still_there_is_passed_over(self) -> None:
        assert found("gimbal", limb_shot(np.tile([0.0, 0.0, 89.0], (9, 1)))) == []


class TestWrap:
    def test_one_leap_and_several(self) -> None:
        leaping = hinge_channels((1.0, 0.0, 0.0), bend())
        leaping[40:, 0] += 360.0
        finding = one("wrap", limb_shot(leaping))
        assert finding.severity == "look"
        assert finding.value == 1.0
        assert "The curves of L_Knee leap at 1 key although the pose does not" in finding.message
        leaping[60:, 0] -= 360.0
        assert "leap at 2 keys although" in one("wrap", limb_shot(leaping)).message


class TestBackBend:
    @pytest.mark.parametrize(
        ("low", "high", "fires"),
        [
            (-2.9, 80.0, False),
            (-3.1, 80.0, True),
            (-80.0, 3.1, True),
            (-20.0, 70.0, False),
            (-17.0, 70.0, True),
            (10.0, 80.0, False),
        ],
    )
    def test_its_limits(self, low: float, high: float, fires: bool) -> None:
        shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(low=low, high=high)))
        assert [each.severity for each in found("back-bend", shot)] == ["look"] * fires

    def test_it_says_how_far_both_ways(self) -> None:
        shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(low=-6.0, high=80.0)))
        finding = one("back-bend", shot)
        assert finding.message == (
            "L_Knee goes 6.0° past straight, against its working direction (80.0° the other way)"
        )
        assert finding.value == pytest.approx(6.0)

    @pytest.mark.parametrize("pre_bend", [-25.0, -10.0, 10.0, 25.0])
    def test_straight_is_where_the_bones_line_up_not_the_rest_pose(self, pre_bend: float) -> None:
        # The bone above leans against the limb at rest, so that the knee is straight at −pre_bend.
        above = rotate(turn([1, 0, 0], -pre_bend), LIMB)
        offsets = np.array([[0.0, 2.0, 0.0], above, LIMB])
        channels = hinge_channels((1.0, 0.0, 0.0), bend(low=-6.0, high=80.0) - pre_bend)
        shot = limb_shot(channels)
        shot = replace(shot, skeleton=replace(shot.skeleton, offsets=offsets))
        assert one("back-bend", shot).value == pytest.approx(6.0, abs=1e-6)

    @pytest.mark.parametrize("reference", ["rest", "parent"])
    def test_a_rest_rotation_is_seen_from_either_reference(self, reference: str) -> None:
        # At rest the knee is bent by 20°; the motion goes from 6° past straight to 70° of bend.
        rest = turn([1, 0, 0], 20.0)
        shot = limb_of(turn([1, 0, 0], bend(low=-26.0, high=50.0)), order="YZX", rest=rest)
        finding = one("back-bend", shot, Settings(reference=reference))  # type: ignore[arg-type]
        assert finding.value == pytest.approx(6.0, abs=1e-6)

    def test_an_ankle_has_no_straight(self) -> None:
        # The foot stands at right angles to the shin, which is further than 30° from straight.
        shot = with_limb(
            limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(low=-6.0))), [0.0, 0.0, 1.0]
        )
        assert found("back-bend", shot) == []

    def test_only_hinges_can(self) -> None:
        channels = hinge_channels((1.0, 0.0, 0.0), bend(low=-6.0, high=80.0))
        channels[:, 2] += 30.0 * np.sin(np.linspace(0.0, 9.0, 97))
        assert found("back-bend", limb_shot(channels)) == []


class TestNotAHinge:
    LOOSE = hinge_channels((1.0, 0.0, 0.0), bend())

    @staticmethod
    def loose(size: float, name: str = "L_Knee", high: float = 70.0) -> Shot:
        channels = hinge_channels((1.0, 0.0, 0.0), bend(high=high))
        channels[:, 2] += size * np.sin(np.linspace(0.0, 9.0, 97))
        return limb_shot(channels, name=name)

    def test_a_knee_that_moves_on_two_axes(self) -> None:
        finding = one("not-a-hinge", self.loose(30.0))
        assert finding.severity == "look"
        assert "The name L_Knee says hinge, but the joint moves on two axes" in finding.message

    def test_a_knee_that_moves_freely(self) -> None:
        channels = np.stack(
            (bend(), 30 * np.sin(np.linspace(0, 7, 97)), 30 * np.cos(np.linspace(0, 19, 97)))
        )
        finding = one("not-a-hinge", limb_shot(channels.T))
        assert "moves freely" in finding.message

    @pytest.mark.parametrize("name", ["L_Hip", "Trunk", "Ring1", "Finger2"])
    def test_other_names_may(self, name: str) -> None:
        assert found("not-a-hinge", self.loose(30.0, name)) == []

    def test_hinges_and_small_motions_are_passed_over(self) -> None:
        assert found("not-a-hinge", CLEAN) == []
        assert found("not-a-hinge", self.loose(1.5, high=4.0)) == []

    def test_no_name_stops_it(self) -> None:
        assert found("not-a-hinge", self.loose(30.0, "Joint ²")) == []


class TestKeysOfTheShot:
    """Clutter and overkeyed, which look at the shot as a whole."""

    def test_channels_that_do_not_move(self) -> None:
        finding = one("clutter", CLEAN)
        assert (finding.severity, finding.joint) == ("note", None)
        assert finding.value == 8.0
        assert finding.message == "8 of 9 rotation channels do not move, but carry 776 keys"

    def test_channels_that_the_file_has_not_are_not_counted(self) -> None:
        assert CLEAN.channels is not None
        columns = np.full((3, 3), -1)
        columns[KNEE] = [0, 1, 2]
        values = CLEAN.channels.values[:, 3:6]
        shot = replace(CLEAN, channels=Channels(values, columns, np.full((3, 3), -1)))
        assert one("clutter", shot).value == 2.0
        finding = one("overkeyed", shot)
        assert finding.message.startswith("291 rotation keys are stored where ")

    def test_one_frame_is_no_clutter(self) -> None:
        assert found("clutter", limb_shot(np.zeros((1, 3)))) == []
        assert found("overkeyed", limb_shot(np.zeros((1, 3)))) == []

    def test_more_keys_than_needed(self) -> None:
        finding = one("overkeyed", CLEAN)
        needed = int(measure_shot(CLEAN).now.keys.sum())
        assert (finding.severity, finding.joint) == ("note", None)
        assert finding.value == pytest.approx(9 * 97 / needed)
        assert f"873 rotation keys are stored where {needed} straight-line keys" in finding.message
        assert "within 0.25°" in finding.message

    @pytest.mark.parametrize("size", [1, 2])
    def test_as_many_as_needed_are_not_too_many(self, size: int) -> None:
        assert found("overkeyed", limb_shot(hinge_channels((1, 0, 0), [0.0, 60.0][:size]))) == []

    def test_joints_with_their_own_keys_count_their_own(self) -> None:
        # The knee has 97 keys, the end two, the thigh none: 99 keys on three channels each.
        skeleton = Skeleton.plain(
            ["Thigh", "Knee", "End"], [-1, 0, 1], [[0.0, 2.0, 0.0], DOWN, DOWN]
        )
        clock = np.linspace(0.0, 4.0, 97)
        knee = Track(clock, turn([1, 0, 0], bend()).T)
        end = Track(clock[[0, -1]], np.tile(IDENTITY, (2, 1)))
        none = (None, None, None)
        shot = Shot(skeleton, clock, Source("sample"), tracks=Tracks((None, knee, end), none, none))
        assert one("overkeyed", shot).message.startswith("297 rotation keys are stored where ")
        finding = one("clutter", shot)
        assert finding.value == 5.0
        assert finding.message.startswith("5 of 6 rotation channels do not move")


class TestCleanHinges:
    def test_a_shot_whose_hinges_are_clean_has_nothing_to_fix(self) -> None:
        # A clean knee, a clean elbow on Z, a free hip, a still spine and a wrist on two axes.
        names = ["Spine", "Hip", "L_Knee", "L_Elbow", "L_Wrist"]
        skeleton = Skeleton.plain(
            names,
            [-1, 0, 1, 0, 3],
            [[0.0, 0.0, 0.0], DOWN, DOWN, DOWN, DOWN],
            orders=["ZXY", "ZXY", "YZX", "YXZ", "ZXY"],
        )
        values = np.zeros((97, 15))
        wave = np.linspace(0.0, 9.0, 97)
        values[:, 3:6] = np.stack(
            (30 * np.sin(wave), 20 * np.cos(1.7 * wave), 25 * np.sin(2.9 * wave)), axis=1
        )
        values[:, 6] = bend()
        values[:, 11] = bend(high=110.0)
        values[:, 12:14] = np.stack((30 * np.sin(wave), 20 * np.cos(1.7 * wave)), axis=1)
        channels = Channels(values, np.arange(15).reshape(5, 3), np.full((5, 3), -1))
        examined = examine(Shot(skeleton, wave, Source("sample"), channels))
        assert examined.measures.kind == ("still", "free", "hinge", "hinge", "two-axis")
        assert [each for each in examined.findings if each.severity == "fix"] == []
        summary = examined.document["summary"]
        assert (summary["hinges"], summary["clean_hinges"], summary["fix"]) == (2, 2, 0)

    @given(shots())
    def test_nothing_is_to_be_fixed_on_a_joint_that_moves_one_channel(self, shot: Shot) -> None:
        examined = examine(shot)
        for finding in examined.findings:
            if finding.severity == "fix":
                assert finding.joint is not None
                assert examined.measures.kind[finding.joint] == "hinge"
                assert examined.measures.now.moving_channels[finding.joint] > 1, finding.message

    def test_not_on_oblique_axes_either(self) -> None:
        # A bend of 6° about an axis 8° off X leaks 0.8°, which is under what counts as moving.
        tilt = np.deg2rad(8.0)
        hinge = (np.cos(tilt), np.sin(tilt), 0.0)
        shot = with_limb(
            limb_shot(hinge_channels(hinge, bend(high=6.0))), [hinge[1], -hinge[0], 0.0]
        )
        examined = examine(shot)
        assert examined.measures.now.moving_channels[KNEE] == 1
        assert [each.message for each in examined.findings if each.severity == "fix"] == []

    @given(st.sampled_from([0, 2]), st.floats(-1.9, 1.9), st.floats(5.0, 85.0))
    def test_a_hinge_within_the_limits_is_clean(self, axis: int, off: float, high: float) -> None:
        direction: Array = rotate(turn(LIMB, off), np.eye(3)[axis])
        order = "YZX" if axis == 0 else "YXZ"
        shot = limb_shot(hinge_channels(direction.tolist(), bend(high=high), order), order=order)
        assert [each for each in examine(shot).findings if each.check == "twist"] == []
