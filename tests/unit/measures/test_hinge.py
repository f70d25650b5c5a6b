"""The axis that a joint moves on, on motions whose axis is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.measures.hinge import fit_hinge
from audit.rotations import (
    conjugate,
    mean_quaternion,
    multiply,
    rotation_vector_from_quaternion,
)
from tests.strategies import (
    Array,
    directions,
    motion_of,
    random_quaternions,
    read_only,
    seeds,
)
from tests.unit.measures.making import turn


def even(frames: int) -> Array:
    return np.full(frames, 1.0 / frames)


def swing(low: float, high: float, frames: int = 43) -> Array:
    """Return angles (F,) in degrees that start at low and go to high and half the way back."""
    phase = np.linspace(0.0, 1.5 * np.pi, frames)
    angles: Array = low + (high - low) * 0.5 * (1.0 - np.cos(phase))
    return angles


class TestExactHinge:
    @given(directions(), st.floats(5.0, 170.0))
    def test_it_is_found_with_all_its_figures(self, axis: Array, reach: float) -> None:
        fit = fit_hinge(turn(axis, swing(0.0, reach))[:, None], even(43))
        np.testing.assert_allclose(fit.axes[0, :, 0], axis, atol=1e-9)
        np.testing.assert_allclose(fit.shares[:, 0], [1, 0, 0], atol=1e-12)
        np.testing.assert_allclose(np.rad2deg(fit.range), reach, rtol=1e-9)
        np.testing.assert_allclose(np.rad2deg(fit.angle[0]), swing(0.0, reach), atol=1e-8)
        assert np.rad2deg(fit.off_axis[0]) < 1e-5

    @given(directions(), seeds)
    def test_a_constant_turn_in_front_does_not_move_its_axis(self, axis: Array, seed: int) -> None:
        constant = random_quaternions(np.random.default_rng(seed))
        quaternion = multiply(constant[:, None], turn(axis, swing(0.0, 50.0)))
        fit = fit_hinge(quaternion[:, None], even(43))
        # With a constant in front the rest pose is off the path, so the sign of the axis may differ.
        np.testing.assert_allclose(abs(fit.axes[0, :, 0] @ axis), 1.0, atol=1e-12)
        np.testing.assert_allclose(fit.shares[0, 0], 1.0, atol=1e-12)
        np.testing.assert_allclose(np.rad2deg(fit.range), 50.0, rtol=1e-9)

    @given(directions(), seeds)
    def test_a_constant_turn_behind_turns_it(self, axis: Array, seed: int) -> None:
        # Q = exp(a φ) C = C exp((C⁻¹ a) φ): the axes of the child see C⁻¹ a.
        constant = random_quaternions(np.random.default_rng(seed))
        quaternion = multiply(turn(axis, swing(0.0, 50.0)), constant[:, None])
        fit = fit_hinge(quaternion[:, None], even(43))
        x, y, z, w = constant
        cross = 2 * np.cross(-np.array([x, y, z]), axis)
        seen = axis + w * cross + np.cross(-np.array([x, y, z]), cross)
        np.testing.assert_allclose(abs(fit.axes[0, :, 0] @ seen), 1.0, atol=1e-12)

    @given(directions(), st.floats(1.0, 60.0), st.floats(61.0, 100.0))
    def test_the_larger_excursion_from_rest_is_positive(
        self, axis: Array, small: float, large: float
    ) -> None:
        forwards = fit_hinge(turn(axis, swing(-small, large))[:, None], even(43))
        np.testing.assert_allclose(forwards.axes[0, :, 0], axis, atol=1e-9)
        backwards = fit_hinge(turn(axis, swing(-large, small))[:, None], even(43))
        np.testing.assert_allclose(backwards.axes[0, :, 0], -axis, atol=1e-9)
        for fit in (forwards, backwards):
            np.testing.assert_allclose(np.rad2deg(fit.angle.max()), large, rtol=1e-9)
            np.testing.assert_allclose(np.rad2deg(fit.angle.min()), -small, rtol=1e-9)

    def test_a_motion_away_from_rest_throughout(self) -> None:
        fit = fit_hinge(turn([0, 0, 1], swing(100.0, 170.0))[:, None], even(43))
        np.testing.assert_allclose(fit.axes[0, :, 0], [0, 0, 1], atol=1e-9)
        np.testing.assert_allclose(np.rad2deg([fit.angle.min(), fit.angle.max()]), [100, 170])

    @given(directions())
    def test_a_wheel_of_two_turns(self, axis: Array) -> None:
        fit = fit_hinge(turn(axis, np.linspace(0.0, 720.0, 97))[:, None], even(97))
        np.testing.assert_allclose(np.rad2deg(fit.range), 720.0, rtol=1e-9)
        np.testing.assert_allclose(fit.axes[0, :, 0], axis, atol=1e-9)
        np.testing.assert_allclose(np.rad2deg(fit.angle[0, [0, -1]]), [0.0, 720.0], atol=1e-6)

    def test_a_wheel_does_not_disturb_its_neighbours(self) -> None:
        wheel, knee = turn([0, 1, 0], np.linspace(0, 720, 43)), turn([1, 0, 0], swing(0, 60))
        both = fit_hinge(np.stack((wheel, knee), axis=1), even(43))
        np.testing.assert_allclose(np.rad2deg(both.range), [720.0, 60.0])


class TestPrincipalAxes:
    @given(seeds, st.sampled_from(["two axes", "free", "offset hinge"]))
    def test_they_are_the_singular_vectors_of_the_turns(self, seed: int, motion: str) -> None:
        generator = np.random.default_rng(seed)
        quaternion = motion_of(motion, generator, 50)  # type: ignore[arg-type]
        weights = generator.uniform(0.5, 2.0, 50)
        weights /= weights.sum()
        fit = fit_hinge(quaternion[:, None], weights)
        mean = mean_quaternion(quaternion, weights)
        vectors = rotation_vector_from_quaternion(multiply(conjugate(mean)[:, None], quaternion))
        _, sizes, rows = np.linalg.svd((vectors * np.sqrt(weights)).T)
        np.testing.assert_allclose(fit.scatter[:, 0], sizes**2, atol=1e-12)
        np.testing.assert_allclose(np.abs(np.sum(rows[0] * fit.axes[0, :, 0])), 1.0, atol=1e-9)
        np.testing.assert_allclose(fit.shares[:, 0], sizes**2 / np.sum(sizes**2), atol=1e-12)
        np.testing.assert_allclose(fit.off_axis[0] ** 2, np.sum(sizes[1:] ** 2), atol=1e-12)

    @given(seeds)
    def test_they_are_right_handed_and_the_coordinates_lie_along_them(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        quaternion = np.stack([motion_of("free", generator, 30) for _ in range(3)], axis=1)
        fit = fit_hinge(quaternion, even(30))
        for joint in range(3):
            frame = fit.axes[:, :, joint]
            np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-12)
            np.testing.assert_allclose(np.linalg.det(frame), 1.0, atol=1e-12)
        mean_squares = np.mean(fit.coordinates**2, axis=2)
        np.testing.assert_allclose(mean_squares, fit.scatter, atol=1e-12)
        assert np.all(np.diff(fit.scatter, axis=0) <= 1e-15)

    @given(seeds)
    def test_signs_of_quaternions_do_not_matter(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        quaternion = motion_of("hinge", generator, 30)[:, None]
        fit = fit_hinge(quaternion, even(30))
        flipped = fit_hinge(quaternion * generator.choice([-1.0, 1.0], 30), even(30))
        np.testing.assert_allclose(flipped.range, fit.range, atol=1e-9)
        np.testing.assert_allclose(flipped.scatter, fit.scatter, atol=1e-12)
        np.testing.assert_allclose(abs(np.sum(flipped.axes[0] * fit.axes[0])), 1.0, atol=1e-9)

    @given(seeds)
    def test_a_key_with_twice_the_weight_is_a_key_twice(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        quaternion = motion_of("two axes", generator, 12)[:, None]
        times = generator.integers(1, 4, 12)
        weighted = fit_hinge(quaternion, times / times.sum())
        repeated = fit_hinge(np.repeat(quaternion, times, axis=2), even(int(times.sum())))
        np.testing.assert_allclose(weighted.scatter, repeated.scatter, atol=1e-12)
        np.testing.assert_allclose(weighted.range, repeated.range, atol=1e-9)

    @given(seeds)
    def test_other_joints_do_not_matter(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        motions = [motion_of(each, generator, 25) for each in ("free", "wheel", "hinge", "zero")]
        together = fit_hinge(np.stack(motions, axis=1), even(25))
        for row, quaternion in enumerate(motions):
            alone = fit_hinge(quaternion[:, None], even(25))
            np.testing.assert_allclose(together.scatter[:, row], alone.scatter[:, 0], atol=1e-12)
            np.testing.assert_allclose(together.range[row], alone.range[0], atol=1e-9)


class TestLittleMotion:
    @pytest.mark.parametrize("frames", [1, 2, 9])
    def test_none_at_all(self, frames: int) -> None:
        fit = fit_hinge(np.tile([[[0.0]], [[0.0]], [[0.0]], [[1.0]]], (1, 1, frames)), even(frames))
        np.testing.assert_array_equal(fit.shares, np.zeros((3, 1)))
        np.testing.assert_array_equal(fit.range, [0.0])
        assert np.isfinite(fit.axes).all()

    @pytest.mark.parametrize("held", [(10, 20, 30), (-80, 5, 170), (1, 2, 3)])
    def test_a_held_pose_is_no_motion(self, held: tuple[float, float, float]) -> None:
        # The mean of equal rotations is that rotation but for the last digit, which is not a motion.
        quaternion = turn(held, np.full(20, np.linalg.norm(held)))[:, None]
        fit = fit_hinge(quaternion, even(20))
        np.testing.assert_allclose(fit.range, 0.0, atol=1e-12)
        np.testing.assert_allclose(fit.off_axis, 0.0, atol=1e-12)

    def test_two_keys_are_a_hinge(self) -> None:
        fit = fit_hinge(turn([0.6, 0.0, 0.8], [0.0, 40.0])[:, None], even(2))
        np.testing.assert_allclose(fit.axes[0, :, 0], [0.6, 0.0, 0.8], atol=1e-12)
        np.testing.assert_allclose(np.rad2deg(fit.range), 40.0)

    def test_the_axis_of_a_tiny_motion_is_right_to_the_last_digits(self) -> None:
        fit = fit_hinge(turn([0.6, 0.0, 0.8], np.array([0.0, 1e-6, 2e-6]))[:, None], even(3))
        np.testing.assert_allclose(fit.axes[0, :, 0], [0.6, 0.0, 0.8], atol=1e-6)


def test_inputs_stay_as_they_are() -> None:
    quaternion = read_only(motion_of("free", np.random.default_rng(0), 9)[:, None])
    fit_hinge(quaternion, read_only(even(9)))
