"""Quaternions: against matrices, hand-worked numbers and closed forms."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.rotations import (
    conjugate,
    matrix_from_quaternion,
    mean_quaternion,
    multiply,
    quaternion_between,
    quaternion_from_rotation_vector,
    rotate,
    rotation_vector_from_quaternion,
)
from audit.rotations.quaternions import cross
from tests.strategies import (
    Array,
    directions,
    matrix,
    random_directions,
    random_quaternions,
    read_only,
    seeds,
    turn_between,
)

IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])
QUARTER_Z = np.array([0.0, 0.0, np.sqrt(0.5), np.sqrt(0.5)])


def test_a_positive_turn_about_z_carries_x_towards_y() -> None:
    np.testing.assert_allclose(rotate(QUARTER_Z, np.array([1.0, 0.0, 0.0])), [0, 1, 0], atol=1e-15)


def test_the_right_factor_turns_first() -> None:
    quarter_x = np.array([np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5)])
    # First about x: y goes to z. Then about z: z stays.
    turned = rotate(multiply(QUARTER_Z, quarter_x), np.array([0.0, 1.0, 0.0]))
    np.testing.assert_allclose(turned, [0, 0, 1], atol=1e-15)


@given(seeds)
def test_products_and_turns_are_those_of_matrices(seed: int) -> None:
    generator = np.random.default_rng(seed)
    left, right = random_quaternions(generator, 2).T
    vector = generator.normal(size=3)
    product = multiply(left, right)
    np.testing.assert_allclose(matrix(product), matrix(left) @ matrix(right), atol=1e-14)
    np.testing.assert_allclose(rotate(left, vector), matrix(left) @ vector, atol=1e-13)
    np.testing.assert_allclose(matrix(conjugate(left)), matrix(left).T, atol=1e-15)
    np.testing.assert_allclose(multiply(left, conjugate(left)), IDENTITY, atol=1e-15)


@given(seeds)
def test_many_matrices_at_once(seed: int) -> None:
    quaternion = random_quaternions(np.random.default_rng(seed), 2, 3)
    matrices = matrix_from_quaternion(quaternion)
    assert matrices.shape == (3, 3, 2, 3)
    for place in np.ndindex(2, 3):
        here = (..., *place)
        np.testing.assert_allclose(matrices[here], matrix(quaternion[here]), atol=1e-15)
        # Columns are where the axes go.
        for axis in range(3):
            turned = rotate(quaternion[here], np.eye(3)[axis])
            np.testing.assert_allclose(matrices[:, axis][here], turned, atol=1e-14)


@given(seeds)
def test_the_cross_product_is_that_of_numpy(seed: int) -> None:
    generator = np.random.default_rng(seed)
    left, right = generator.normal(size=(2, 3, 5))
    np.testing.assert_allclose(cross(left, right), np.cross(left, right, axis=0), atol=1e-15)


@pytest.mark.parametrize(
    ("left", "right"), [((), (4,)), ((4,), ()), ((3, 1), (1, 4)), ((3,), (3,))]
)
def test_trailing_shapes_of_a_product_broadcast(
    left: tuple[int, ...], right: tuple[int, ...]
) -> None:
    generator = np.random.default_rng(1)
    first, second = random_quaternions(generator, *left), random_quaternions(generator, *right)
    product = multiply(first, second)
    shape = np.broadcast_shapes(left, right)
    assert product.shape == (4, *shape)
    firsts = np.stack([np.broadcast_to(part, shape) for part in first])
    seconds = np.stack([np.broadcast_to(part, shape) for part in second])
    for place in np.ndindex(shape):
        here = (slice(None), *place)
        np.testing.assert_array_equal(product[here], multiply(firsts[here], seconds[here]))


@pytest.mark.parametrize(
    ("quaternions", "vectors"), [((), (4,)), ((3, 1), (1, 4)), ((4,), ()), ((3,), ()), ((2, 3), ())]
)
def test_trailing_shapes_of_a_turn_broadcast(
    quaternions: tuple[int, ...], vectors: tuple[int, ...]
) -> None:
    # With three quaternions and one vector a wrong broadcast raises nothing: it mixes the components up.
    generator = np.random.default_rng(2)
    quaternion, vector = (
        random_quaternions(generator, *quaternions),
        generator.normal(size=(3, *vectors)),
    )
    turned = rotate(quaternion, vector)
    shape = np.broadcast_shapes(quaternions, vectors)
    assert turned.shape == (3, *shape)
    each = np.stack([np.broadcast_to(part, shape) for part in quaternion])
    spread = np.stack([np.broadcast_to(part, shape) for part in vector])
    for place in np.ndindex(shape):
        here = (slice(None), *place)
        np.testing.assert_allclose(turned[here], matrix(each[here]) @ spread[here], atol=1e-13)


@pytest.mark.parametrize(
    "function",
    [
        conjugate,
        rotation_vector_from_quaternion,
        matrix_from_quaternion,
        lambda q: multiply(q, q),
        lambda q: rotate(q, q[:3]),
        lambda q: quaternion_from_rotation_vector(q[:3]),
        lambda q: quaternion_between(
            q[:3] / np.linalg.norm(q[:3], axis=0), -q[:3] / np.linalg.norm(q[:3], axis=0)
        ),
        lambda q: mean_quaternion(q, read_only(np.ones(q.shape[-1]))),
    ],
)
def test_inputs_stay_as_they_are(function: Callable[[Array], Array]) -> None:
    quaternion = read_only(random_quaternions(np.random.default_rng(3), 5))
    before = quaternion.copy()
    result = function(quaternion)
    np.testing.assert_array_equal(quaternion, before)
    assert not np.shares_memory(result, quaternion)


class TestRotationVector:
    @given(seeds, st.sampled_from([1e-12, 1e-9, 1e-6, 1e-3, 1.0, 3.0, np.pi - 1e-9]))
    def test_there_and_back(self, seed: int, angle: float) -> None:
        vector = angle * random_directions(np.random.default_rng(seed), 4)
        quaternion = quaternion_from_rotation_vector(vector)
        np.testing.assert_allclose(np.linalg.norm(quaternion, axis=0), 1.0, atol=1e-15)
        back = rotation_vector_from_quaternion(quaternion)
        np.testing.assert_allclose(back, vector, rtol=0, atol=4e-15 * max(angle, 1e-3))

    @given(seeds)
    def test_back_and_there(self, seed: int) -> None:
        quaternion = random_quaternions(np.random.default_rng(seed), 6)
        again = quaternion_from_rotation_vector(rotation_vector_from_quaternion(quaternion))
        assert turn_between(quaternion, again).max() < 1e-14

    @given(seeds)
    def test_both_signs_give_the_same_vector(self, seed: int) -> None:
        quaternion = random_quaternions(np.random.default_rng(seed), 6)
        np.testing.assert_array_equal(
            rotation_vector_from_quaternion(quaternion),
            rotation_vector_from_quaternion(-quaternion),
        )

    @given(seeds)
    def test_it_goes_the_short_way_round(self, seed: int) -> None:
        direction = random_directions(np.random.default_rng(seed))
        vector = rotation_vector_from_quaternion(quaternion_from_rotation_vector(direction * 4.0))
        np.testing.assert_allclose(vector, direction * (4.0 - 2.0 * np.pi), atol=1e-14)

    @pytest.mark.parametrize("angle", [1e-3, 1e-9, 1e-15, 1e-100, 1e-160, 1e-300])
    def test_small_turns_keep_full_precision(self, angle: float) -> None:
        # The arccosine of the scalar part would give 0 from about 1e-8 rad down.
        vector = np.array([0.6, 0.0, 0.8]) * angle
        back = rotation_vector_from_quaternion(quaternion_from_rotation_vector(vector))
        np.testing.assert_allclose(back, vector, rtol=1e-12)

    def test_no_turn_is_the_zero_vector(self) -> None:
        np.testing.assert_array_equal(rotation_vector_from_quaternion(IDENTITY), np.zeros(3))
        np.testing.assert_array_equal(rotation_vector_from_quaternion(-IDENTITY), np.zeros(3))
        np.testing.assert_array_equal(quaternion_from_rotation_vector(np.zeros(3)), IDENTITY)

    def test_half_a_turn_lies_along_the_vector_part(self) -> None:
        half = np.array([0.0, -1.0, 0.0, 0.0])
        np.testing.assert_allclose(rotation_vector_from_quaternion(half), [0, -np.pi, 0])


class TestBetween:
    @given(directions(), directions())
    def test_it_carries_the_start_onto_the_end_by_the_smallest_turn(
        self, start: Array, end: Array
    ) -> None:
        quaternion = quaternion_between(start, end)
        np.testing.assert_allclose(np.linalg.norm(quaternion), 1.0, atol=1e-15)
        np.testing.assert_allclose(rotate(quaternion, start), end, atol=1e-12)
        turn = np.linalg.norm(rotation_vector_from_quaternion(quaternion))
        # The chord formula is exact near 0° and near 180°, where the arccosine is not.
        apart = 2.0 * np.arctan2(np.linalg.norm(start - end), np.linalg.norm(start + end))
        np.testing.assert_allclose(turn, apart, atol=1e-12)

    @given(directions())
    def test_opposite_directions_take_half_a_turn_across(self, start: Array) -> None:
        quaternion = quaternion_between(start, -start)
        np.testing.assert_allclose(rotate(quaternion, start), -start, atol=1e-12)
        assert abs(quaternion[3]) < 1e-12
        assert abs(quaternion[:3] @ start) < 1e-12

    @given(seeds, st.sampled_from([1e-15, 1e-12, 1e-9, 1e-7, 1e-6, 2e-6, 1e-4]))
    def test_nearly_opposite_directions(self, seed: int, away: float) -> None:
        # Under 1.4e-6 rad the pair counts as opposite, so the answer is off by as much; nothing is NaN.
        start, side = random_directions(np.random.default_rng(seed), 2).T
        end = -start + away * side
        end /= np.linalg.norm(end)
        np.testing.assert_allclose(rotate(quaternion_between(start, end), start), end, atol=1.5e-6)

    def test_opposite_and_other_pairs_side_by_side(self) -> None:
        start = np.eye(3)
        end = np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 1.0], [0.0, 0.0, 0.0]])
        quaternion = quaternion_between(start, end)
        np.testing.assert_allclose(rotate(quaternion, start), end, atol=1e-15)
        np.testing.assert_allclose(quaternion[:, 1], IDENTITY)


class TestMean:
    @given(seeds, st.integers(1, 9))
    def test_signs_do_not_matter(self, seed: int, count: int) -> None:
        generator = np.random.default_rng(seed)
        quaternion = random_quaternions(generator, count)
        weights = generator.uniform(0.1, 1.0, count)
        flipped = quaternion * generator.choice([-1.0, 1.0], count)
        mean = mean_quaternion(quaternion, weights)
        assert mean[3] >= 0.0
        np.testing.assert_allclose(np.linalg.norm(mean), 1.0, atol=1e-14)
        assert turn_between(mean, mean_quaternion(flipped, weights)) < 1e-7

    @given(seeds, st.integers(2, 9))
    def test_about_one_axis_it_is_the_weighted_circular_mean(self, seed: int, count: int) -> None:
        # K. V. Mardia and P. E. Jupp, Directional Statistics, 2000: atan2(Σ w sin φ, Σ w cos φ).
        generator = np.random.default_rng(seed)
        axis = random_directions(generator)
        angles = generator.uniform(-1.2, 1.2, count)
        weights = generator.uniform(0.05, 1.0, count)
        expected = np.arctan2(weights @ np.sin(angles), weights @ np.cos(angles))
        mean = mean_quaternion(quaternion_from_rotation_vector(axis[:, None] * angles), weights)
        np.testing.assert_allclose(
            rotation_vector_from_quaternion(mean), axis * expected, atol=1e-12
        )

    @given(seeds)
    def test_a_weight_of_two_is_a_key_twice(self, seed: int) -> None:
        quaternion = random_quaternions(np.random.default_rng(seed), 5)
        weights = np.array([1.0, 2.0, 0.0, 1.0, 3.0])
        again = np.repeat(quaternion, [1, 2, 0, 1, 3], axis=1)
        mean = mean_quaternion(quaternion, weights)
        assert turn_between(mean, mean_quaternion(again, np.ones(7))) < 1e-7

    @given(seeds)
    def test_no_neighbour_is_nearer_to_all(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        quaternion = random_quaternions(generator, 6)
        weights = generator.uniform(0.1, 1.0, 6)

        def distance(candidate: Array) -> float:
            away = [np.sum((matrix(candidate) - matrix(each)) ** 2) for each in quaternion.T]
            return float(weights @ np.array(away))

        mean = mean_quaternion(quaternion, weights)
        for vector in np.concatenate((np.eye(3), -np.eye(3))) * 0.05:
            neighbour = multiply(mean, quaternion_from_rotation_vector(vector))
            assert distance(mean) <= distance(neighbour) + 1e-12

    def test_many_joints_at_once_are_each_alone(self) -> None:
        generator = np.random.default_rng(4)
        quaternion, weights = random_quaternions(generator, 2, 3, 7), generator.uniform(0, 1, 7)
        together = mean_quaternion(quaternion, weights)
        assert together.shape == (4, 2, 3)
        for place in np.ndindex(2, 3):
            here = (slice(None), *place)
            np.testing.assert_allclose(
                together[here], mean_quaternion(quaternion[here], weights), atol=1e-12
            )
