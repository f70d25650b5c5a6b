"""What the corrections are foretold to bring: recomputed from the motion, with causes that add up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from audit.conventions import ORDERS, axis_indices
from audit.measures import joint_curves, measure_shot, offsets
from audit.measures.joints import MARGIN_WORTH_A_CHANGE_DEG, _seen_from
from audit.measures.spread import channel_curves, cost_of
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.rotations import conjugate, multiply, rotate
from tests.strategies import Array, directions, orders, random_quaternions, seeds, shots
from tests.unit.measures.making import KNEE, limb_of, turn

LIMB = np.array([0.0, -1.0, 0.0])


def spread_of(quaternion: Array, order: str) -> float:
    """Return the channel spread of one joint's rotations (4, F)."""
    curves = channel_curves(quaternion[:, None], order)
    times = np.linspace(0.0, 4.0, quaternion.shape[1])
    cost = cost_of(curves, order, times, tolerance_deg=0.25, moving_deg=1.0)
    return float(cost.channel_spread[0])


def across_the_limb(degrees: float) -> Array:
    """Return the hinge axis of an X hinge whose axes are off by an angle about −Y."""
    return rotate(turn(LIMB, degrees), np.array([1.0, 0.0, 0.0]))


class TestAfterTheTwist:
    @pytest.mark.parametrize("degrees", [-40.0, -12.0, 2.5, 33.1, 44.0])
    @pytest.mark.parametrize("order", ["YZX", "ZYX"])
    def test_a_hinge_across_the_limb_moves_one_channel(self, degrees: float, order: str) -> None:
        measures = measure_shot(limb_of(turn(across_the_limb(degrees), bend()), order=order))
        np.testing.assert_allclose(measures.twist_offset_deg[KNEE], degrees, atol=1e-6)
        assert measures.now.moving_channels[KNEE] > 1
        assert measures.after_twist.moving_channels[KNEE] == 1
        np.testing.assert_allclose(measures.after_twist.channel_spread[KNEE], 1.0, atol=1e-6)
        np.testing.assert_allclose(measures.causes[KNEE, 1:], 0.0, atol=1e-6)

    @pytest.mark.parametrize("degrees", [-40.0, -12.0, 2.5, 33.1])
    def test_the_wrong_sign_does_not(self, degrees: float) -> None:
        # The mutant that the test above must tell from the right program.
        quaternion = turn(across_the_limb(degrees), bend())[:, None]
        measures = measure_shot(limb_of(quaternion[:, 0], order="YZX"))
        radians = np.deg2rad(measures.twist_offset_deg[[KNEE]])
        axes = offsets.axes_after_twist(LIMB[:, None], radians)
        right = _seen_from(axes, quaternion)[:, 0]
        wrong = _seen_from(conjugate(axes), quaternion)[:, 0]
        np.testing.assert_allclose(spread_of(right, "YZX"), 1.0, atol=1e-6)
        assert spread_of(wrong, "YZX") > 1.05
        if abs(degrees) < 22.5:  # from there on the wrong turn comes nearer to the other cross axis
            assert spread_of(wrong, "YZX") > spread_of(quaternion[:, 0], "YZX")

    @given(seeds, orders)
    def test_it_is_recomputed_from_the_turned_axes(self, seed: int, order: str) -> None:
        # By a second way: the joint's rotations times matrices, measured as a shot of their own.
        generator = np.random.default_rng(seed)
        axis = generator.normal(size=3)
        quaternion = turn(axis, bend(high=float(generator.uniform(20, 120))))
        measures = measure_shot(limb_of(quaternion, order=order))
        assume(bool(measures.has_offset[KNEE]))
        axes = turn(LIMB, measures.twist_offset_deg[KNEE])
        turned = multiply(multiply(conjugate(axes)[:, None], quaternion), axes[:, None])
        again = measure_shot(limb_of(turned, order=order))
        np.testing.assert_allclose(
            measures.after_twist.range_deg[KNEE], again.now.range_deg[KNEE], atol=1e-9
        )
        np.testing.assert_array_equal(measures.after_twist.keys[KNEE], again.now.keys[KNEE])
        # The axes are right then: nothing is left to turn, up to the edge between two targets.
        left = float(again.twist_offset_deg[KNEE])
        np.testing.assert_allclose(left, 0.0, atol=1e-6)

    def test_the_axes_turn_with_the_offset_and_not_against_it(self) -> None:
        # W' = W A: the turned X axis, in the present axes, is the hinge.
        measures = measure_shot(limb_of(turn(across_the_limb(25.0), bend()), order="YZX"))
        new_x = rotate(measures.full_offset_xyzw[KNEE], np.array([1.0, 0.0, 0.0]))
        np.testing.assert_allclose(new_x, measures.hinge_axis[KNEE], atol=1e-9)


class TestAfterTheFullCorrection:
    @given(directions(), seeds, orders, st.floats(20.0, 80.0))
    def test_a_hinge_across_any_limb_moves_one_channel(
        self, limb: Array, seed: int, order: str, reach: float
    ) -> None:
        generator = np.random.default_rng((seed, 1))
        hinge = np.cross(limb, generator.normal(size=3))
        measures = measure_shot(limb_of(turn(hinge, bend(high=reach)), order=order, limb=limb))
        assert measures.after_full.moving_channels[KNEE] == 1
        assert measures.after_full.channel_spread[KNEE] < 1.05
        assert measures.residual_deg[KNEE] < 1e-6

    @given(seeds, orders)
    def test_with_a_constant_in_front_too(self, seed: int, order: str) -> None:
        # Why the hinge channel goes innermost: the constant then sits on the outer two.
        generator = np.random.default_rng(seed)
        constant = random_quaternions(generator)
        hinge = across_the_limb(float(generator.uniform(-44.0, 44.0)))
        quaternion = multiply(constant[:, None], turn(hinge, bend()))
        measures = measure_shot(limb_of(quaternion, order=order))
        assert measures.has_offset[KNEE]
        # At the lock of the advised order the outer two are free to share a turn out between them.
        advised = measures.advised_order[KNEE]
        assert advised is not None
        full = measures.full_offset_xyzw[KNEE][:, None]
        margin = offsets.gimbal_margin(_seen_from(full, quaternion[:, None]), advised)
        assume(margin[0] > 0.01)
        assert measures.after_full.moving_channels[KNEE] == 1
        np.testing.assert_allclose(measures.after_full.channel_spread[KNEE], 1.0, atol=1e-6)

    @given(shots(made_of="rotations"))
    def test_it_is_a_unit_quaternion_with_the_advised_axis_innermost(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        for joint in np.flatnonzero(measures.has_offset):
            full = measures.full_offset_xyzw[joint]
            np.testing.assert_allclose(np.linalg.norm(full), 1.0, atol=1e-12)
            assert full[3] >= 0.0
            advised = measures.advised_order[joint]
            assert advised is not None
            seen = rotate(conjugate(full), measures.hinge_axis[joint])
            lying = np.abs(seen[axis_indices(advised)[2]])
            limb = np.abs(rotate(conjugate(full), measures.limb_axis[joint]))
            # Across the limb the innermost axis is the one that the hinge lies nearest to.
            across = [axis for axis in range(3) if axis != np.argmax(limb)]
            np.testing.assert_allclose(lying, np.abs(seen[across]).max(), atol=1e-6)

    @given(shots(made_of="rotations"))
    def test_without_an_aim_error_it_is_the_twist(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        for joint in np.flatnonzero(measures.has_offset & (measures.aim_error_deg <= 0.5)):
            twist = turn(measures.limb_axis[joint], measures.twist_offset_deg[joint])
            np.testing.assert_allclose(measures.full_offset_xyzw[joint], twist, atol=1e-12)
            assert measures.causes[joint, 1] <= 1e-12


class TestAdvisedOrder:
    @pytest.mark.parametrize("present", ORDERS)
    @pytest.mark.parametrize("axis", [0, 2])
    def test_the_hinge_channel_goes_innermost(self, present: str, axis: int) -> None:
        measures = measure_shot(limb_of(turn(np.eye(3)[axis], bend()), order=present))
        advised = measures.advised_order[KNEE]
        assert advised is not None
        assert advised[2] == "XYZ"[axis]
        if present[2] == advised[2]:
            assert advised == present

    @pytest.mark.parametrize(("tilt", "changes"), [(2.0, False), (40.0, True)])
    def test_a_present_one_goes_only_for_much_more_room(self, tilt: float, changes: bool) -> None:
        # A constant turn about Z sits on the middle channel of YZX, and on the outer one of ZYX.
        quaternion = multiply(turn([0, 0, 1], tilt)[:, None], turn([1, 0, 0], bend()))
        measures = measure_shot(limb_of(quaternion, order="YZX"))
        assert tilt > MARGIN_WORTH_A_CHANGE_DEG or not changes
        assert measures.advised_order[KNEE] == ("ZYX" if changes else "YZX")

    def test_a_hinge_on_the_middle_channel_past_the_lock_is_the_orders_fault(self) -> None:
        wobble = hinge_channels((1.0, 0.03, 0.03), bend(high=120.0), "YXZ")
        measures = measure_shot(limb_shot(wobble, order="YXZ"))
        assert measures.now.moving_channels[KNEE] == 3
        assert measures.causes[KNEE, 2] > 0.5
        assert measures.causes[KNEE, 2] > 5.0 * measures.causes[KNEE, [0, 1, 3]].max()
        assert measures.after_full.channel_spread[KNEE] < 1.2


class TestCauses:
    @given(shots())
    def test_they_add_up_to_the_spread_beyond_one(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        moving = np.array([kind != "still" for kind in measures.kind])
        causes = measures.causes
        assert np.isnan(causes[~moving]).all()
        np.testing.assert_allclose(
            causes[moving].sum(axis=1), measures.now.channel_spread[moving] - 1.0, atol=1e-9
        )
        assert np.all(causes[moving] >= -1e-12)

    @given(shots())
    def test_without_an_offset_all_of_it_is_the_motions_own(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        moving = np.array([kind != "still" for kind in measures.kind])
        np.testing.assert_array_equal(measures.causes[moving & ~measures.has_offset, :3], 0.0)

    @given(shots())
    def test_they_follow_from_the_stages(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        for joint in np.flatnonzero(measures.has_offset):
            now, twist, full = (
                float(cost.channel_spread[joint])
                for cost in (measures.now, measures.after_twist, measures.after_full)
            )
            np.testing.assert_allclose(measures.causes[joint, 0], max(now - twist, 0.0), atol=1e-9)
            # What is left over is the least that any stage reached.
            assert measures.causes[joint, 3] <= min(now, twist, full) - 1.0 + 1e-9

    def test_a_twisted_hinge_is_the_twists_fault(self) -> None:
        measures = measure_shot(limb_of(turn(across_the_limb(30.0), bend()), order="YZX"))
        np.testing.assert_allclose(
            measures.causes[KNEE], [measures.now.channel_spread[KNEE] - 1.0, 0, 0, 0], atol=1e-6
        )

    def test_a_hinge_that_leans_along_the_limb_is_nobodys_fault(self) -> None:
        measures = measure_shot(limb_of(turn([1.0, 0.5, 0.0], bend()), order="YZX"))
        np.testing.assert_allclose(measures.residual_deg[KNEE], np.rad2deg(np.arctan(0.5)))
        np.testing.assert_allclose(measures.twist_offset_deg[KNEE], 0.0, atol=1e-9)
        twist, aim, _, own = measures.causes[KNEE]
        np.testing.assert_allclose([twist, aim], 0.0, atol=1e-9)
        assert own > 0.2

    def test_oblique_axes_are_the_aims_fault(self) -> None:
        limb = np.array([0.5, -0.8, 0.2])
        hinge = np.cross(limb, [0.1, 0.3, 1.0])
        measures = measure_shot(limb_of(turn(hinge, bend()), order="YZX", limb=limb))
        assert measures.aim_error_deg[KNEE] > 10.0
        assert measures.causes[KNEE, 1] > 0.1
        np.testing.assert_allclose(measures.causes[KNEE, 3], 0.0, atol=1e-6)


class TestCurves:
    @given(shots())
    def test_they_are_what_was_measured(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        for joint in range(len(shot.skeleton)):
            curves = joint_curves(shot, measures, joint)
            assert curves.now.shape == (3, shot.frames)
            ranges = np.ptp(curves.now, axis=1)
            np.testing.assert_allclose(ranges, measures.now.range_deg[joint], atol=1e-6)
            for after, cost in (
                (curves.after_twist, measures.after_twist),
                (curves.after_full, measures.after_full),
            ):
                assert (after is not None) == bool(measures.has_offset[joint])
                if after is not None:
                    np.testing.assert_allclose(
                        np.ptp(after, axis=1), cost.range_deg[joint], atol=1e-6
                    )

    def test_channels_are_sorted_x_y_z(self) -> None:
        shot = limb_shot(np.stack((bend(), bend(high=20.0), bend(high=10.0)), axis=1), order="ZXY")
        curves = joint_curves(shot, measure_shot(shot), KNEE)
        np.testing.assert_allclose(
            curves.now, [bend(), bend(high=20.0), bend(high=10.0)], atol=1e-9
        )
