"""When each check fires, how severely, and what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from audit.measures import measure_shot
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.rotations import rotate
from audit.settings import Settings
from tests.strategies import shots
from tests.unit.checks.asking import CLEAN, LIMB, found, one, with_limb
from tests.unit.measures.making import KNEE, limb_of, turn


def twisted(degrees: float, high: float = 70.0, frames: int = 97, order: str = "YZX") -> Shot:
    """Return a hinge on X whose axes are off by an angle about the limb."""
    axis = rotate(turn(LIMB, degrees), np.array([1.0, 0.0, 0.0]))
    channels = hinge_channels(axis.tolist(), bend(high=high, frames=frames), order)
    return limb_shot(channels, order=order)


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
