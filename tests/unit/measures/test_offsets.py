"""Aim, residual, twist and full correction: formulas, brute force, and the wrong sign that must show."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from audit.conventions import AXES, ORDERS
from audit.measures import offsets
from audit.rotations import conjugate, quaternion_from_angles, rotate
from tests.strategies import (
    Array,
    directions,
    matrix,
    orders,
    random_directions,
    random_quaternions,
    read_only,
    seeds,
)
from tests.unit.measures.making import turn


def column(*vector: float) -> Array:
    values = np.array(vector, dtype=np.float64)
    unit: Array = (values / np.linalg.norm(values))[:, None]
    return unit


def across(limb: Array, generator: np.random.Generator) -> Array:
    """Return a unit vector (3,) at right angles to the limb."""
    generator.random()  # else a limb from the same seed would be crossed with itself
    side = np.cross(limb, random_directions(generator))
    unit: Array = side / np.linalg.norm(side)
    return unit


def angle_between(first: Array, second: Array) -> Array:
    """Return the angles (...) between directions (3, ...) and one direction (3,)."""
    cosine = np.einsum("c...,c->...", first, second)
    angle: Array = np.arccos(np.clip(cosine, -1.0, 1.0))
    return angle


def assume_a_shadow(hinge: Array, limb: Array) -> None:
    """Pass over a hinge along the limb: it has no shadow across it, and no turn about it means anything."""
    assume(abs(hinge @ limb) < 1.0 - 1e-9)


class TestAimError:
    @pytest.mark.parametrize(
        ("limb", "degrees", "half_axis"),
        [
            ((0, 1, 0), 0.0, (0, 1, 0)),
            ((0, -2, 0), 0.0, (0, -1, 0)),
            ((0.1, -1, 0), np.rad2deg(np.arctan(0.1)), (0, -1, 0)),
            ((1, 0, 1), 45.0, (1, 0, 0)),
            ((-1, 0, 1), 45.0, (-1, 0, 0)),
            ((1, 1, 1), np.rad2deg(np.arccos(3**-0.5)), (1, 0, 0)),
            ((1e-4, 0, -1), np.rad2deg(np.arctan(1e-4)), (0, 0, -1)),
        ],
    )
    def test_known_limbs(
        self, limb: tuple[float, ...], degrees: float, half_axis: tuple[float, ...]
    ) -> None:
        angle, nearest = offsets.aim_error(column(*limb))
        np.testing.assert_allclose(np.rad2deg(angle), degrees, rtol=1e-6)
        np.testing.assert_array_equal(nearest[:, 0], half_axis)

    @given(directions())
    def test_it_is_the_least_of_the_six_angles(self, limb: Array) -> None:
        angle, nearest = offsets.aim_error(limb[:, None])
        halves = np.concatenate((np.eye(3), -np.eye(3)))
        angles = np.arccos(np.clip(halves @ limb, -1.0, 1.0))
        np.testing.assert_allclose(angle[0], angles.min(), atol=1e-7)
        np.testing.assert_array_equal(nearest[:, 0], halves[np.argmin(angles)])


class TestResidual:
    @given(directions(), directions())
    def test_it_is_a_right_angle_less_the_angle_to_the_limb(
        self, hinge: Array, limb: Array
    ) -> None:
        found = offsets.residual(hinge[:, None], limb[:, None])[0]
        np.testing.assert_allclose(found, abs(np.pi / 2 - angle_between(hinge, limb)), atol=1e-7)

    def test_ends_of_the_scale(self) -> None:
        assert offsets.residual(column(1, 0, 0), column(0, -1, 0))[0] == 0.0
        np.testing.assert_allclose(offsets.residual(column(0, 1, 0), column(0, -1, 0)), np.pi / 2)


class TestTwistOffset:
    @pytest.mark.parametrize("degrees", [-44.0, -10.0, 0.0, 2.0, 33.1, 44.9])
    def test_with_the_limb_on_y_it_is_the_arctangent_of_x_over_z(self, degrees: float) -> None:
        x, z = np.sin(np.deg2rad(degrees)), np.cos(np.deg2rad(degrees))
        twist = offsets.twist_offset(column(x, 0, z), column(0, 1, 0))
        np.testing.assert_allclose(twist.offset, np.arctan2(x, z), atol=1e-15)
        np.testing.assert_array_equal(twist.target_axis, [2])
        # Seen down the other way, the same turn is the other way round.
        below = offsets.twist_offset(column(x, 0, z), column(0, -1, 0))
        np.testing.assert_allclose(below.offset, -np.arctan2(x, z), atol=1e-15)

    @pytest.mark.parametrize(
        ("hinge", "limb", "degrees", "target"),
        [
            ((1, 0, 0), (0, 1, 0), 0.0, "X"),
            ((-1, 0, 0), (0, 1, 0), 0.0, "X"),
            ((0, 0, -1), (0, 1, 0), 0.0, "Z"),
            # A right-handed turn about +Y carries z towards x, and x towards −z.
            ((1, 0, 0.2), (0, 1, 0), -np.rad2deg(np.arctan(0.2)), "X"),
            ((1, 0, -0.2), (0, 1, 0), np.rad2deg(np.arctan(0.2)), "X"),
            # About +X: y towards z. About +Z: x towards y.
            ((0, 1, 0.2), (1, 0, 0), np.rad2deg(np.arctan(0.2)), "Y"),
            ((1, 0.2, 0), (0, 0, 1), np.rad2deg(np.arctan(0.2)), "X"),
            ((-1, -0.2, 0), (0, 0, 1), np.rad2deg(np.arctan(0.2)), "X"),
            # The part along the limb does not count.
            ((1, 0.2, 0.5), (0, 0, 1), np.rad2deg(np.arctan(0.2)), "X"),
        ],
    )
    def test_known_hinges(
        self, hinge: tuple[float, ...], limb: tuple[float, ...], degrees: float, target: str
    ) -> None:
        twist = offsets.twist_offset(column(*hinge), column(*limb))
        np.testing.assert_allclose(np.rad2deg(twist.offset), degrees, atol=1e-12)
        assert AXES[int(twist.target_axis[0])] == target

    @given(directions(), directions(principal=True))
    def test_with_the_limb_on_an_axis_it_is_at_most_45_degrees(
        self, hinge: Array, limb: Array
    ) -> None:
        twist = offsets.twist_offset(hinge[:, None], limb[:, None])
        assert np.rad2deg(np.abs(twist.offset[0])) <= 45.0 + 1e-9
        assert limb[twist.target_axis[0]] == 0.0

    @given(directions(), directions(principal=False))
    def test_with_any_limb_it_is_at_most_60_degrees(self, hinge: Array, limb: Array) -> None:
        # The shadows of the two least aligned axes are 60° apart at worst: with the limb along (1, 1, 1).
        assume_a_shadow(hinge, limb)
        twist = offsets.twist_offset(hinge[:, None], limb[:, None])
        assert np.rad2deg(np.abs(twist.offset[0])) <= 60.0 + 1e-9

    @given(directions(), directions())
    def test_no_other_turn_brings_the_half_axis_nearer_to_the_hinge(
        self, hinge: Array, limb: Array
    ) -> None:
        twist = offsets.twist_offset(hinge[:, None], limb[:, None])
        target = np.eye(3)[:, twist.target_axis]
        grid = np.linspace(-180.0, 180.0, 7201)
        least, ours = [], []
        for half_axis in (target, -target):
            everywhere = rotate(turn(limb, grid), np.repeat(half_axis, len(grid), axis=1))
            least.append(angle_between(everywhere, hinge).min())
            turned = rotate(turn(limb, np.rad2deg(twist.offset)), half_axis)
            ours.append(angle_between(turned, hinge)[0])
        # The offset belongs to one of the two half-axes of the target: for that one it is the best turn.
        assert min(np.array(ours) - np.array(least)) <= 1e-7

    @given(directions(), directions())
    def test_no_other_half_axis_needs_a_smaller_turn(self, hinge: Array, limb: Array) -> None:
        assume_a_shadow(hinge, limb)
        offset = float(offsets.twist_offset(hinge[:, None], limb[:, None]).offset[0])
        for axis in np.argsort(np.abs(limb), kind="stable")[:2]:
            for sign in (1.0, -1.0):
                flat = sign * np.eye(3)[axis]
                flat = flat - limb * (flat @ limb)
                shadow = hinge - limb * (hinge @ limb)
                turn_needed = np.arctan2(np.cross(flat, shadow) @ limb, flat @ shadow)
                assert abs(offset) <= abs(turn_needed) + 1e-9

    @given(seeds)
    def test_the_sign_of_the_hinge_does_not_matter(self, seed: int) -> None:
        hinge, limb = random_directions(np.random.default_rng(seed), 2, 4).swapaxes(0, 1)
        plus, minus = offsets.twist_offset(hinge, limb), offsets.twist_offset(-hinge, limb)
        np.testing.assert_allclose(plus.offset, minus.offset, atol=1e-12)
        np.testing.assert_array_equal(plus.target_axis, minus.target_axis)

    @given(seeds)
    def test_the_gradient_is_that_of_small_steps(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        hinge, limb, step = random_directions(generator, 3).T
        step = step - hinge * (step @ hinge)
        at = offsets.twist_offset(hinge[:, None], limb[:, None])
        size = 1e-6
        forward, backward = (
            offsets.twist_offset((hinge + sign * size * step)[:, None], limb[:, None]).offset[0]
            for sign in (1.0, -1.0)
        )
        slope = (forward - backward) / (2 * size)
        if abs(slope) < 50.0:  # else a step over the 45° edge, or a hinge along the limb
            np.testing.assert_allclose(at.gradient[:, 0] @ step, slope, atol=1e-4)
        assert abs(at.gradient[:, 0] @ hinge) < 1e-9

    @given(directions(), directions(principal=True))
    def test_seen_from_the_turned_axes_no_cross_axis_is_left_over(
        self, hinge: Array, limb: Array
    ) -> None:
        twist = offsets.twist_offset(hinge[:, None], limb[:, None])
        axes = offsets.axes_after_twist(limb[:, None], twist.offset)
        seen = rotate(conjugate(axes), hinge[:, None])[:, 0]
        other = 3 - int(np.argmax(np.abs(limb))) - int(twist.target_axis[0])
        assert abs(seen[other]) < 1e-12

    @given(directions(principal=True), seeds)
    def test_the_wrong_sign_leaves_it_over(self, limb: Array, seed: int) -> None:
        hinge = across(limb, np.random.default_rng(seed))
        twist = offsets.twist_offset(hinge[:, None], limb[:, None])
        if not 2.0 < np.rad2deg(abs(twist.offset[0])) < 43.0:
            return  # at 45° the wrong turn ends on the other cross axis
        axes = offsets.axes_after_twist(limb[:, None], -twist.offset)
        seen = rotate(conjugate(axes), hinge[:, None])[:, 0]
        assert np.sort(np.abs(seen))[1] > 0.05

    def test_other_axes_than_the_present_ones(self) -> None:
        # Axes that are already turned by 30° about the limb need 30° less.
        hinge, limb = column(np.sin(0.6), 0, np.cos(0.6)), column(0, 1, 0)
        frame = matrix(turn([0, 1, 0], 30.0))[:, :, None]
        turned = offsets.twist_offset(hinge, limb, frame)
        np.testing.assert_allclose(turned.offset, 0.6 - np.pi / 6, atol=1e-12)
        np.testing.assert_array_equal(turned.target_axis, [2])

    def test_inputs_stay_as_they_are(self) -> None:
        generator = np.random.default_rng(0)
        hinge, limb = (read_only(random_directions(generator, 5)) for _ in range(2))
        offsets.twist_offset(hinge, limb)
        offsets.axes_after_full(hinge, limb)
        offsets.aim_error(limb)
        offsets.residual(hinge, limb)


class TestFullCorrection:
    @given(directions(), seeds)
    def test_it_puts_limb_and_hinge_on_principal_axes(self, limb: Array, seed: int) -> None:
        hinge = across(limb, np.random.default_rng(seed))
        axes, target = offsets.axes_after_full(hinge[:, None], limb[:, None])
        np.testing.assert_allclose(np.linalg.norm(axes), 1.0, atol=1e-14)
        limb_seen = rotate(conjugate(axes), limb[:, None])[:, 0]
        hinge_seen = rotate(conjugate(axes), hinge[:, None])[:, 0]
        np.testing.assert_allclose(np.sort(np.abs(limb_seen)), [0, 0, 1], atol=1e-9)
        np.testing.assert_allclose(np.sort(np.abs(hinge_seen)), [0, 0, 1], atol=1e-9)
        assert np.argmax(np.abs(hinge_seen)) == target[0]

    @given(directions(principal=False), seeds)
    def test_backwards_it_does_not(self, limb: Array, seed: int) -> None:
        assume(5.0 < np.rad2deg(offsets.aim_error(limb[:, None])[0][0]) < 35.0)
        hinge = across(limb, np.random.default_rng(seed))
        axes, _ = offsets.axes_after_full(hinge[:, None], limb[:, None])
        limb_seen = rotate(axes, limb[:, None])[:, 0]
        assert np.sort(np.abs(limb_seen))[1] > 0.1

    @given(directions(), directions())
    def test_what_it_leaves_off_the_axis_is_the_residual(self, hinge: Array, limb: Array) -> None:
        axes, target = offsets.axes_after_full(hinge[:, None], limb[:, None])
        seen = rotate(conjugate(axes), hinge[:, None])[:, 0]
        left = np.arccos(min(abs(seen[target[0]]), 1.0))
        np.testing.assert_allclose(
            left, offsets.residual(hinge[:, None], limb[:, None])[0], atol=1e-7
        )

    @given(directions(), seeds)
    def test_it_is_a_small_turn_then_a_twist_of_at_most_45_degrees(
        self, limb: Array, seed: int
    ) -> None:
        hinge = across(limb, np.random.default_rng(seed))
        axes, _ = offsets.axes_after_full(hinge[:, None], limb[:, None])
        error, half_axis = offsets.aim_error(limb[:, None])
        # The principal axis that lay nearest to the limb is the one that is brought onto it.
        np.testing.assert_allclose(rotate(axes, half_axis)[:, 0], limb, atol=1e-9)
        turn_angle = 2.0 * np.arccos(min(abs(axes[3, 0]), 1.0))
        assert turn_angle <= error[0] + np.pi / 4 + 1e-7

    @given(directions(principal=True), seeds)
    def test_where_the_aim_is_right_it_is_the_twist(self, limb: Array, seed: int) -> None:
        hinge = across(limb, np.random.default_rng(seed))
        twist = offsets.twist_offset(hinge[:, None], limb[:, None])
        axes, target = offsets.axes_after_full(hinge[:, None], limb[:, None])
        np.testing.assert_allclose(
            axes, offsets.axes_after_twist(limb[:, None], twist.offset), atol=1e-12
        )
        np.testing.assert_array_equal(target, twist.target_axis)


class TestOrders:
    @pytest.mark.parametrize(("axis", "pair"), [(0, "YZX ZYX"), (1, "XZY ZXY"), (2, "XYZ YXZ")])
    def test_two_orders_have_an_axis_innermost(self, axis: int, pair: str) -> None:
        assert offsets.orders_with_inner(axis) == tuple(pair.split())

    @given(seeds, orders)
    def test_the_gimbal_margin_is_that_of_the_middle_channel(self, seed: int, order: str) -> None:
        generator = np.random.default_rng(seed)
        angles = generator.uniform(-1.5, 1.5, (3, 2, 9))
        margin = offsets.gimbal_margin(quaternion_from_angles(angles, order), order)
        expected = np.pi / 2 - np.abs(angles[1]).max(axis=1)
        np.testing.assert_allclose(margin, expected, atol=1e-7)

    @pytest.mark.parametrize("order", ORDERS)
    def test_it_is_zero_at_the_lock(self, order: str) -> None:
        angles = np.deg2rad(np.array([[10.0, 20.0], [0.0, -90.0], [5.0, 5.0]]))[:, None]
        margin = offsets.gimbal_margin(quaternion_from_angles(angles, order), order)
        np.testing.assert_allclose(margin, 0.0, atol=1e-7)

    @given(seeds, orders, st.integers(1, 5))
    def test_it_lies_between_nothing_and_a_right_angle(
        self, seed: int, order: str, frames: int
    ) -> None:
        quaternion = random_quaternions(np.random.default_rng(seed), 3, frames)
        margin = offsets.gimbal_margin(quaternion, order)
        assert margin.shape == (3,)
        assert np.all((margin >= 0.0) & (margin <= np.pi / 2))
