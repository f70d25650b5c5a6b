"""Rotation channels: out and back in all orders, at the lock too, and curves without needless leaps."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from audit.conventions import ORDERS, axis_indices, handedness
from audit.rotations import (
    angles_from_quaternion,
    continuous_angles,
    leaps,
    middle_angle_sine,
    quaternion_from_angles,
)
from tests.strategies import (
    TURN,
    Array,
    angles_near_lock,
    matrix,
    orders,
    random_quaternions,
    read_only,
    rough_angles,
    seeds,
    smooth_angles,
    turn_between,
    with_leaps,
)


def about(axis: int, angle: float) -> Array:
    """Return the matrix of a turn about one principal axis, typed in from a textbook."""
    sine, cosine = np.sin(angle), np.cos(angle)
    return (
        np.array([[1, 0, 0], [0, cosine, -sine], [0, sine, cosine]]),
        np.array([[cosine, 0, sine], [0, 1, 0], [-sine, 0, cosine]]),
        np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1]]),
    )[axis]


def one_after_another(angles: Array) -> Array:
    """Return what ``continuous_angles`` promises for one curve (3, F), key by key."""
    result = [angles[:, 0]]
    for outer, middle, inner in angles.T[1:]:
        nearest: Array | None = None
        least = np.inf
        for solution in ((outer, middle, inner), (outer + np.pi, np.pi - middle, inner + np.pi)):
            candidate = np.array(solution)
            candidate -= TURN * np.round((candidate - result[-1]) / TURN)
            distance = np.sum(np.abs(candidate - result[-1]))
            if distance < least:
                nearest, least = candidate, distance
        assert nearest is not None
        result.append(nearest)
    return np.array(result).T


def steps(angles: Array) -> Array:
    """Return the sum of absolute differences from key to key."""
    total: Array = np.sum(np.abs(np.diff(angles, axis=-1)), axis=0)
    return total


@pytest.mark.parametrize("order", ORDERS)
def test_an_order_reads_left_to_right_as_the_matrix_product(order: str) -> None:
    angles = np.array([0.4, -0.7, 1.9])
    product = np.eye(3)
    for letter, angle in zip(order, angles, strict=True):
        product = product @ about("XYZ".index(letter), float(angle))
    np.testing.assert_allclose(matrix(quaternion_from_angles(angles, order)), product, atol=1e-15)


def test_orders_and_their_hands() -> None:
    assert ORDERS == ("XYZ", "XZY", "YXZ", "YZX", "ZXY", "ZYX")
    assert [handedness(order) for order in ORDERS] == [1, -1, -1, 1, 1, -1]
    assert axis_indices("ZXY") == (2, 0, 1)


class TestAnglesFromQuaternion:
    @given(seeds, orders)
    def test_any_rotation_out_and_back(self, seed: int, order: str) -> None:
        quaternion = random_quaternions(np.random.default_rng(seed), 3, 5)
        angles = angles_from_quaternion(quaternion, order)
        assert turn_between(quaternion, quaternion_from_angles(angles, order)).max() < 1e-13
        assert np.abs(angles[1]).max() <= np.pi / 2
        assert np.abs(angles[[0, 2]]).max() <= TURN

    @given(smooth_angles(), orders)
    def test_angles_within_range_come_back_up_to_whole_turns(
        self, angles: Array, order: str
    ) -> None:
        back = angles_from_quaternion(quaternion_from_angles(angles, order), order)
        turns = (back - angles) / TURN
        np.testing.assert_allclose(turns, np.round(turns), atol=1e-12)
        np.testing.assert_array_equal(np.round(turns[1]), 0.0)

    # The four poses of the SciPy test-suite (test_as_euler_degenerate_asymmetric_axes), with its tolerance.
    @pytest.mark.parametrize("angles", [(45, 90, 35), (35, -90, 20), (35, 90, 25), (25, -90, 15)])
    @pytest.mark.parametrize("order", ["".join(each) for each in permutations("XYZ")])
    def test_the_rotation_is_right_at_the_lock(
        self, angles: tuple[float, float, float], order: str
    ) -> None:
        quaternion = quaternion_from_angles(np.deg2rad(angles), order)
        back = angles_from_quaternion(quaternion, order)
        again = quaternion_from_angles(back, order)
        np.testing.assert_allclose(matrix(again), matrix(quaternion), atol=1e-12)
        assert back[2] == 0.0
        np.testing.assert_allclose(np.rad2deg(back[1]), angles[1], atol=1e-6)

    @given(angles_near_lock(), orders)
    def test_the_rotation_is_right_near_the_lock(self, angles: Array, order: str) -> None:
        # Closer than the lock's edge the outer two are made up, which costs up to twice that distance.
        quaternion = quaternion_from_angles(angles, order)
        back = angles_from_quaternion(quaternion, order)
        assert np.isfinite(back).all()
        assert turn_between(quaternion, quaternion_from_angles(back, order)).max() < 3e-7

    @pytest.mark.parametrize("order", ORDERS)
    @pytest.mark.parametrize("side", [1.0, -1.0])
    def test_a_lock_leaves_no_leap_in_a_curve_that_has_none(self, order: str, side: float) -> None:
        middle = side * np.concatenate((np.linspace(1.0, np.pi / 2, 9), np.linspace(1.5, 1.0, 5)))
        angles = np.stack((np.linspace(0.3, 0.8, 14), middle, np.full(14, 0.6)))
        back = angles_from_quaternion(quaternion_from_angles(angles, order), order)
        np.testing.assert_allclose(continuous_angles(back), angles, atol=1e-7)

    def test_each_row_holds_its_own_value_through_the_lock(self) -> None:
        angles = np.deg2rad(
            [[[10, 20, 30]] * 2, [[50, 90, 90], [90, 90, 40]], [[40, 70, 70], [9, 9, 5]]]
        )
        back = angles_from_quaternion(quaternion_from_angles(angles, "ZXY"), "ZXY")
        # The second row has no value before its lock: 0 until there is one.
        np.testing.assert_allclose(np.rad2deg(back[2]), [[40, 40, 40], [0, 0, 5]], atol=1e-6)

    @pytest.mark.parametrize("shape", [(), (1,), (5,), (2, 5), (2, 3, 5)])
    def test_any_trailing_shape(self, shape: tuple[int, ...]) -> None:
        quaternion = random_quaternions(np.random.default_rng(0), *shape)
        angles = angles_from_quaternion(quaternion, "YXZ")
        assert angles.shape == (3, *shape)
        assert quaternion_from_angles(angles, "YXZ").shape == (4, *shape)

    def test_inputs_stay_as_they_are(self) -> None:
        locked = quaternion_from_angles(np.deg2rad([[45.0, 20.0], [90.0, 0.0], [35.0, 5.0]]), "XYZ")
        for values in (locked, random_quaternions(np.random.default_rng(0), 2)):
            quaternion = read_only(values)
            angles = read_only(angles_from_quaternion(quaternion, "XYZ"))
            quaternion_from_angles(angles, "XYZ")
            middle_angle_sine(quaternion, "XYZ")
            np.testing.assert_array_equal(quaternion, values)


@given(seeds, orders)
def test_the_sine_of_the_middle_channel(seed: int, order: str) -> None:
    quaternion = random_quaternions(np.random.default_rng(seed), 20)
    expected = np.sin(angles_from_quaternion(quaternion, order)[1])
    np.testing.assert_allclose(middle_angle_sine(quaternion, order), expected, atol=1e-13)


@pytest.mark.parametrize("order", ORDERS)
def test_the_sine_is_one_at_the_lock_and_never_more(order: str) -> None:
    for side in (1.0, -1.0):
        outer = np.linspace(-3.0, 3.0, 50)
        angles = np.stack((outer, np.full(50, side * np.pi / 2), outer[::-1]))
        sine = middle_angle_sine(quaternion_from_angles(angles, order), order)
        np.testing.assert_allclose(sine, side, atol=1e-14)
        assert np.abs(sine).max() <= 1.0


class TestContinuousAngles:
    @given(rough_angles())
    def test_it_equals_a_plain_loop_on_rough_curves(self, angles: Array) -> None:
        expected = np.stack([one_after_another(row) for row in np.swapaxes(angles, 0, 1)], axis=1)
        np.testing.assert_allclose(continuous_angles(angles), expected, atol=1e-12)

    @given(smooth_angles(), seeds)
    def test_it_equals_a_plain_loop_on_leaping_curves(self, angles: Array, seed: int) -> None:
        leaping = with_leaps(angles, seed)
        np.testing.assert_allclose(
            continuous_angles(leaping), one_after_another(leaping), atol=1e-12
        )

    @given(smooth_angles(), seeds)
    def test_it_takes_all_leaps_out_again(self, angles: Array, seed: int) -> None:
        # Steps under a third of a turn in all leave no nearer equivalent than the smooth curve itself.
        if steps(angles).max(initial=0.0) < TURN / 3:
            np.testing.assert_allclose(
                continuous_angles(with_leaps(angles, seed)), angles, atol=1e-11
            )

    @given(rough_angles(), orders)
    def test_it_never_changes_the_rotation(self, angles: Array, order: str) -> None:
        before = quaternion_from_angles(angles, order)
        after = quaternion_from_angles(continuous_angles(angles), order)
        assert turn_between(before, after).max() < 1e-12

    @given(angles_near_lock(), seeds)
    def test_near_the_lock_it_goes_no_further_than_a_plain_loop(
        self, angles: Array, seed: int
    ) -> None:
        # At the lock both solutions are equally near, so only the length of the steps is settled.
        leaping = with_leaps(angles, seed)
        ours, loop = continuous_angles(leaping), one_after_another(leaping)
        np.testing.assert_allclose(steps(ours), steps(loop), atol=1e-9)

    @pytest.mark.parametrize("channel", [0, 1, 2])
    @pytest.mark.parametrize(
        ("start", "end", "wanted"), [(-179.0, 179.0, -181.0), (100, -100, 260)]
    )
    def test_a_whole_turn_of_one_channel_alone(
        self, channel: int, start: float, end: float, wanted: float
    ) -> None:
        angles = np.zeros((3, 2))
        angles[channel] = np.deg2rad([start, end])
        np.testing.assert_allclose(np.rad2deg(continuous_angles(angles))[channel, 1], wanted)

    @given(rough_angles())
    def test_no_curve_depends_on_its_neighbours(self, angles: Array) -> None:
        together = continuous_angles(angles)
        for row in range(angles.shape[1]):
            np.testing.assert_allclose(
                together[:, row], continuous_angles(angles[:, row]), atol=1e-12
            )

    @given(rough_angles())
    def test_twice_changes_nothing_more(self, angles: Array) -> None:
        once = continuous_angles(angles)
        np.testing.assert_allclose(continuous_angles(once), once, atol=1e-12)

    @given(rough_angles())
    def test_the_first_key_stays_and_the_input_too(self, angles: Array) -> None:
        given_angles = read_only(angles)
        curves = continuous_angles(given_angles)
        np.testing.assert_array_equal(given_angles, angles)
        np.testing.assert_array_equal(curves[..., 0], angles[..., 0])
        assert not np.shares_memory(curves, given_angles)

    @pytest.mark.parametrize("frames", [0, 1])
    def test_curves_of_one_key_and_none(self, frames: int) -> None:
        angles = np.full((3, 2, frames), 9.0)
        np.testing.assert_array_equal(continuous_angles(angles), angles)

    def test_signs_of_quaternions_leave_no_leap(self) -> None:
        angles = np.stack((np.linspace(0, 3, 40), np.linspace(-1, 1, 40), np.linspace(0, -3, 40)))
        signs = np.random.default_rng(0).choice([-1.0, 1.0], 40)
        signs[0] = 1.0
        flipped = quaternion_from_angles(angles, "YZX") * signs
        back = continuous_angles(angles_from_quaternion(flipped, "YZX"))
        np.testing.assert_allclose(back, angles, atol=1e-12)

    @given(st.sampled_from([0, 1, 2]), st.integers(-3, 3))
    def test_a_wheel_turns_on(self, channel: int, start: int) -> None:
        wheel = np.zeros((3, 60))
        wheel[channel] = np.linspace(0.0, 3 * TURN, 60)
        wrapped = wheel - TURN * np.round(wheel / TURN)
        wrapped[channel] += TURN * start
        wheel[channel] += TURN * start
        np.testing.assert_allclose(continuous_angles(wrapped), wheel, atol=1e-12)


class TestLeaps:
    @given(smooth_angles())
    def test_smooth_curves_have_none(self, angles: Array) -> None:
        if steps(angles).max(initial=0.0) < np.pi:
            assert not leaps(angles).any()

    @given(rough_angles())
    def test_they_are_where_a_plain_look_at_two_keys_finds_one(self, angles: Array) -> None:
        found = leaps(angles)
        assert found.shape == angles.shape[1:]
        assert not found[..., 0].any()
        for row, key in np.ndindex(angles.shape[1], angles.shape[2] - 1):
            pair = angles[:, row, key : key + 2]
            nearest = one_after_another(pair)[:, 1]
            # What a file stores is a leap where something nearer to the key before is the same rotation.
            assert found[row, key + 1] == (np.abs(nearest - pair[:, 1]).max() > 1e-6)

    @given(smooth_angles(frames=40), seeds)
    def test_one_change_over_is_one_leap(self, angles: Array, seed: int) -> None:
        assume(steps(angles).max() < TURN / 3)
        generator = np.random.default_rng(seed)
        key = int(generator.integers(1, 40))
        swapped, turned = angles.copy(), angles.copy()
        swapped[:, key:] = np.stack(
            (angles[0, key:] + np.pi, np.pi - angles[1, key:], angles[2, key:] + np.pi)
        )
        turned[generator.integers(3), key:] += TURN
        for leaping in (swapped, turned):
            assert np.flatnonzero(leaps(leaping)).tolist() == [key]

    @pytest.mark.parametrize("frames", [0, 1])
    def test_curves_of_one_key_and_none(self, frames: int) -> None:
        assert not leaps(np.full((3, 2, frames), 9.0)).any()

    def test_the_input_stays_as_it_is(self) -> None:
        angles = read_only(np.random.default_rng(0).uniform(-9.0, 9.0, (3, 2, 20)))
        before = angles.copy()
        leaps(angles)
        np.testing.assert_array_equal(angles, before)
