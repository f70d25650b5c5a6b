"""Rotation channels and quaternions against published examples and two general-purpose libraries.

"From memory" marks a value whose source was not opened when the test was written.
"""

from __future__ import annotations

import math
from itertools import permutations
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.conventions import AXES, ORDERS
from audit.rotations import (
    angles_from_quaternion,
    continuous_angles,
    mean_quaternion,
    middle_angle_sine,
    multiply,
    quaternion_between,
    quaternion_from_angles,
    quaternion_from_rotation_vector,
    rotate,
    rotation_vector_from_quaternion,
)

Array = npt.NDArray[np.float64]
TURN = 2.0 * np.pi


def matrix(quaternion: Array) -> Array:
    """Return the rotation matrix (3, 3): its columns are where the unit vectors go."""
    return rotate(quaternion[:, None], np.eye(3))


def from_angles(order: str, *degrees: float) -> Array:
    return quaternion_from_angles(np.deg2rad(degrees), order)


def about(letter: str, degrees: float) -> Array:
    """Return a turn about one axis, made by the exponential map and not by the channel code."""
    return quaternion_from_rotation_vector(np.deg2rad(degrees) * np.eye(3)[AXES.index(letter)])


def product(sequence: str, *degrees: float) -> Array:
    """Return the turns about moving axes, in the order written, multiplied one by one."""
    first, second, third = map(about, sequence, degrees)
    return multiply(multiply(first, second), third)


def extrinsic(sequence: str, *degrees: float) -> Array:
    """Return the turns about fixed axes: the same product read backwards."""
    return from_angles(sequence[::-1].upper(), *degrees[::-1])


def distance(left: Array, right: Array) -> Array:
    """Return the angle between rotations (4, ...) in radians, whatever the signs of the quaternions.

    The chord is used, not the arccosine of the dot product, which sees nothing below 1e-8 rad.
    """
    chord = np.minimum(np.linalg.norm(left - right, axis=0), np.linalg.norm(left + right, axis=0))
    result: Array = 4.0 * np.arcsin(np.minimum(0.5 * chord, 1.0))
    return result


def random_quaternions(rng: np.random.Generator, count: int) -> Array:
    values = rng.normal(size=(4, count))
    result: Array = values / np.linalg.norm(values, axis=0)
    return result


# --- against scipy ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ORDERS)
def test_quaternions_of_random_channels_equal_those_of_scipy(order: str) -> None:
    angles = np.random.default_rng(1).uniform(-3 * TURN, 3 * TURN, (3, 5000))
    theirs = Rotation.from_euler(order, angles.T).as_quat().T
    assert np.max(distance(quaternion_from_angles(angles, order), theirs)) < 1e-14


@pytest.mark.parametrize("order", ORDERS)
def test_channels_of_random_rotations_equal_those_of_scipy(order: str) -> None:
    quaternion = random_quaternions(np.random.default_rng(2), 5000)
    ours = angles_from_quaternion(quaternion, order)
    theirs = Rotation.from_quat(quaternion.T).as_euler(cast("Any", order)).T
    # Whole turns apart they are one answer; the outer angles lose digits as one over the distance to the lock.
    apart = np.abs(np.angle(np.exp(1j * (ours - theirs))))
    room = np.cos(theirs[1])
    assert np.max(apart * room) < 1e-13
    assert np.max(np.abs(ours[1])) <= np.pi / 2


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("away", [1e-3, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9, 0.0])
def test_rotations_near_the_lock_come_back(order: str, side: float, away: float) -> None:
    """Angles are not unique there, so rotations are compared."""
    rng = np.random.default_rng(3)
    angles = rng.uniform(-np.pi, np.pi, (3, 2000))
    angles[1] = side * (np.pi / 2 - away)
    truth = Rotation.from_euler(order, angles.T).as_quat().T
    channels = angles_from_quaternion(truth, order)
    # Within 1e-7 rad of the lock the rotation that is left over there, twice the distance at most, is let go.
    allowed = 2.01 * away + 1e-14 if away <= 1e-7 else 1e-14
    assert np.max(distance(truth, quaternion_from_angles(channels, order))) < allowed
    theirs = Rotation.from_euler(order, channels.T).as_quat().T
    assert np.max(distance(truth, theirs)) < allowed
    assert np.allclose(np.abs(channels[1]), np.pi / 2 - away, rtol=0, atol=1e-15)


@pytest.mark.parametrize("order", ORDERS)
def test_middle_angle_sine_is_that_of_scipys_middle_angle(order: str) -> None:
    quaternion = random_quaternions(np.random.default_rng(4), 2000)
    theirs = Rotation.from_quat(quaternion.T).as_euler(cast("Any", order))[:, 1]
    assert np.max(np.abs(middle_angle_sine(quaternion, order) - np.sin(theirs))) < 1e-14


def test_products_logarithms_and_exponentials_equal_those_of_scipy() -> None:
    rng = np.random.default_rng(5)
    left, right = random_quaternions(rng, 4000), random_quaternions(rng, 4000)
    one, two = Rotation.from_quat(left.T), Rotation.from_quat(right.T)
    assert np.max(distance(multiply(left, right), (one * two).as_quat().T)) < 1e-14
    vectors = rotation_vector_from_quaternion(left)
    assert np.max(np.abs(vectors - one.as_rotvec().T)) < 1e-13
    assert np.max(distance(quaternion_from_rotation_vector(vectors), left)) < 1e-14
    points = rng.normal(size=(3, 4000))
    assert np.max(np.abs(rotate(left, points) - one.apply(points.T).T)) < 1e-13


def test_mean_rotation_equals_that_of_scipy() -> None:
    rng = np.random.default_rng(6)
    for spread in (0.05, 0.5, 1.5):
        middle = random_quaternions(rng, 1)
        vectors = rng.normal(scale=spread, size=(3, 200))
        near = multiply(middle, quaternion_from_rotation_vector(vectors))
        near *= rng.choice([-1.0, 1.0], 200)
        weights = rng.uniform(0.0, 2.0, 200)
        theirs = Rotation.from_quat(near.T).mean(weights).as_quat()
        assert distance(mean_quaternion(near, weights), theirs) < 1e-12


# --- against transforms3d -----------------------------------------------------------------------------------


def test_products_and_logarithms_equal_those_of_transforms3d() -> None:
    library = pytest.importorskip(
        "transforms3d", reason="transforms3d, which this checks against, is not installed"
    )
    rng = np.random.default_rng(7)
    left, right = random_quaternions(rng, 300), random_quaternions(rng, 300)
    products, vectors = multiply(left, right), rotation_vector_from_quaternion(left)
    for column in range(300):
        one, two = (
            left[[3, 0, 1, 2], column],
            right[[3, 0, 1, 2], column],
        )  # it has the scalar first
        theirs = library.quaternions.qmult(one, two)
        assert np.allclose(products[[3, 0, 1, 2], column], theirs, rtol=0, atol=1e-15)
        half = library.quaternions.qlog(one if one[0] >= 0.0 else -one)  # the short way round
        assert np.allclose(vectors[:, column], 2.0 * half[1:], rtol=0, atol=1e-13)


@pytest.mark.parametrize("order", ORDERS)
def test_channels_equal_those_of_transforms3d(order: str) -> None:
    library = pytest.importorskip(
        "transforms3d", reason="transforms3d, which this checks against, is not installed"
    )
    angles = np.random.default_rng(8).uniform(-np.pi, np.pi, (3, 200))
    ours = quaternion_from_angles(angles, order)
    for column in range(200):
        theirs = library.euler.euler2quat(*angles[:, column], axes="r" + order.lower())
        assert distance(ours[:, column], theirs[[1, 2, 3, 0]]) < 1e-14


# --- continuity ---------------------------------------------------------------------------------------------


def nearest_by_hand(angles: Array) -> Array:
    """Return continuous angles (3, F), each key chosen by comparing it with the key before."""
    result = [angles[:, 0].tolist()]
    for first, second, third in angles[:, 1:].T.tolist():
        before = result[-1]
        candidates = []
        for solution in (
            (first, second, third),
            (first + math.pi, math.pi - second, third + math.pi),
        ):
            turns = [
                math.floor((a - b) / TURN + 0.5) for a, b in zip(solution, before, strict=True)
            ]
            candidates.append([a - TURN * n for a, n in zip(solution, turns, strict=True)])
        steps = [sum(abs(a - b) for a, b in zip(each, before, strict=True)) for each in candidates]
        result.append(candidates[steps.index(min(steps))])
    return np.array(result).T


@pytest.mark.parametrize("order", ORDERS)
def test_continuity_chooser_equals_a_plain_loop(order: str) -> None:
    rng = np.random.default_rng(9)
    phase = np.linspace(0.0, 1.0, 240)
    for wild in (0.0, 0.3, 3.0):
        waves = rng.uniform(-2.0, 2.0, (3, 3)) @ np.sin(
            TURN * np.array([1.0, 2.0, 3.0])[:, None] * phase + rng.uniform(0, TURN, (3, 1))
        )
        waves += wild * rng.normal(size=waves.shape)
        stored = angles_from_quaternion(quaternion_from_angles(waves, order), order)
        stored += TURN * rng.integers(-1, 2, stored.shape)
        ours = continuous_angles(stored)
        assert np.allclose(ours, nearest_by_hand(stored), rtol=0, atol=1e-11)
        apart = distance(quaternion_from_angles(ours, order), quaternion_from_angles(waves, order))
        assert np.max(apart) < 1e-12


# --- published worked examples ------------------------------------------------------------------------------

MATRICES = [
    # SciPy, scipy/spatial/transform/tests/test_rotation.py, test_from_euler_intrinsic_rotation_313.
    # These repeat an axis and so are no rotation order of ours: they hold the products of single turns.
    (
        product("ZXZ", 30, 60, 45),
        "0.43559574 -0.78914913 0.4330127 0.65973961 -0.04736717 -0.75 0.61237244 0.61237244 0.5",
    ),
    (
        product("ZXZ", 30, 60, 30),
        "0.625 -0.64951905 0.4330127 0.64951905 0.125 -0.75 0.4330127 0.75 0.5",
    ),
    (
        product("ZXZ", 45, 30, 60),
        "-0.1767767 -0.91855865 0.35355339 0.88388348 -0.30618622 -0.35355339 0.4330127 0.25 0.8660254",
    ),
    # The same file, test_from_euler_extrinsic_rotation_312.
    (
        extrinsic("zxy", 30, 60, 45),
        "0.91855865 0.1767767 0.35355339 0.25 0.4330127 -0.8660254 -0.30618622 0.88388348 0.35355339",
    ),
    (
        extrinsic("zxy", 30, 60, 30),
        "0.96650635 -0.0580127 0.25 0.25 0.4330127 -0.8660254 -0.0580127 0.89951905 0.4330127",
    ),
    (
        extrinsic("zxy", 45, 30, 60),
        "0.65973961 -0.04736717 0.75 0.61237244 0.61237244 -0.5 -0.43559574 0.78914913 0.4330127",
    ),
    # The intrinsic reading of the first of these three, from the formula Rz·Rx·Ry: a reader that gives the
    # matrix above instead has mistaken moving axes for fixed ones.
    (
        from_angles("ZXY", 30, 60, 45),
        "0.306186 -0.25 0.918559 0.883883 0.433013 -0.176777 -0.353553 0.866025 0.353553",
    ),
    # Documentation of a general numerical computing package, function eul2rotm: a locked ZYX and a ZYZ pose.
    (from_angles("ZYX", 0, 90, 0), "0 0 1 0 1 0 -1 0 0"),
    (product("ZYZ", 0, 90, 90), "0 0 1 1 0 0 0 1 0"),
    # J. J. Craig, Introduction to Robotics, chapter 2, two worked examples (from memory, three digits).
    (
        multiply(about("Z", 30), about("X", 30)),
        "0.866 -0.433 0.25 0.5 0.75 -0.433 0 0.5 0.866",
    ),
    (
        quaternion_from_rotation_vector(np.deg2rad(30) * np.array([1.0, 1.0, 0.0]) / np.sqrt(2.0)),
        "0.933 0.067 0.354 0.067 0.933 -0.354 -0.354 0.354 0.866",
    ),
    # Roll, pitch and yaw of 0.1, 0.2 and 0.3 rad, as in P. Corke's books (from memory).
    (
        quaternion_from_angles(np.array([0.3, 0.2, 0.1]), "ZYX"),
        "0.93629336 -0.27509585 0.21835066 0.28962948 0.95642509 -0.03695701 "
        "-0.19866933 0.0978434 0.97517033",
    ),
    # A locked pose from the formula: Rx(45)·Ry(90)·Rz(35).
    (from_angles("XYZ", 45, 90, 35), "0 0 1 0.984808 0.173648 0 -0.173648 0.984808 0"),
]


@pytest.mark.parametrize(("quaternion", "expected"), MATRICES)
def test_published_matrices(quaternion: Array, expected: str) -> None:
    digits = max(len(word.partition(".")[2]) for word in expected.split())
    wanted = np.array(expected.split(), dtype=float).reshape(3, 3)
    assert np.allclose(matrix(quaternion), wanted, rtol=0, atol=0.51 * 10.0**-digits)


def test_doc_tests_of_gohlkes_transformations() -> None:
    """C. Gohlke, ``transformations.py``, doc-tests of its Euler and quaternion functions, as printed there."""
    angles = np.array([1.0, 2.0, 3.0])
    # quaternion_from_euler(1, 2, 3, 'ryxz'), scalar first.
    expected = np.array([0.435953, 0.310622, -0.718287, 0.444435])
    assert np.allclose(
        quaternion_from_angles(angles, "YXZ")[[3, 0, 1, 2]], expected, rtol=0, atol=1e-6
    )
    expected = np.array([0.43595284, 0.31062245, -0.71828702, 0.44443511])
    assert np.allclose(
        quaternion_from_angles(angles, "YXZ")[[3, 0, 1, 2]], expected, rtol=0, atol=1e-8
    )
    # The same with 'rzyz', which repeats an axis: a product of single turns.
    expected = np.array([-0.2248451, 0.70807342, 0.45464871, 0.4912955])
    turns = product("ZYZ", *np.rad2deg(angles))
    assert min(np.max(np.abs(sign * turns[[3, 0, 1, 2]] - expected)) for sign in (1, -1)) < 1e-8
    # euler_matrix(1, 2, 3, 'syxz'): the sum of the first row.
    fixed = matrix(quaternion_from_angles(angles[::-1], "ZXY"))
    assert abs(np.sum(fixed[0]) - -1.34786452) < 1e-8
    # euler_matrix(1, 2, 3, (0, 1, 0, 1)): turning axes y, z, x.
    turning = matrix(quaternion_from_angles(angles, "YZX"))
    assert abs(np.sum(turning[0]) - -0.383436184) < 1e-9
    # euler_from_quaternion([0.99810947, 0.06146124, 0, 0]) is (0.123, 0, 0) about fixed x, y, z.
    back = angles_from_quaternion(np.array([0.06146124, 0.0, 0.0, 0.99810947]), "ZYX")
    assert np.allclose(back, [0.0, 0.0, 0.123], rtol=0, atol=1e-8)


LOCKED = np.array([(45, 90, 35), (35, -90, 20), (35, 90, 25), (25, -90, 15)], dtype=float)
"""SciPy, scipy/spatial/transform/tests/test_rotation.py, test_as_euler_degenerate_asymmetric_axes."""


@pytest.mark.parametrize("order", ["".join(each) for each in permutations(AXES)])
@pytest.mark.parametrize("fixed_axes", [False, True])
def test_locked_poses_come_back_as_the_same_matrix(order: str, fixed_axes: bool) -> None:
    sequence = order.lower() if fixed_axes else order
    truth = Rotation.from_euler(sequence, LOCKED, degrees=True)
    own_order = order[::-1] if fixed_axes else order
    angles = angles_from_quaternion(truth.as_quat().T, own_order)
    if fixed_axes:
        angles = angles[::-1]
    back = Rotation.from_euler(sequence, angles.T)
    assert np.max(np.abs(back.as_matrix() - truth.as_matrix())) < 1e-12


def test_a_lock_leaves_the_sum_or_the_difference_of_the_outer_angles() -> None:
    """First plus third at +90°, first minus third at −90°, from the formulas; the third is given as 0."""
    expected = [(80, 90, 0), (15, -90, 0), (60, 90, 0), (10, -90, 0)]
    quaternion = quaternion_from_angles(np.deg2rad(LOCKED.T), "XYZ")
    for column, wanted in enumerate(expected):
        angles = angles_from_quaternion(quaternion[:, column], "XYZ")
        assert np.allclose(np.rad2deg(angles), wanted, rtol=0, atol=1e-10)


def test_smallest_turn_between_directions_equals_that_of_scipy() -> None:
    rng = np.random.default_rng(10)
    start, end = rng.normal(size=(2, 3, 200))
    start, end = start / np.linalg.norm(start, axis=0), end / np.linalg.norm(end, axis=0)
    turn = quaternion_between(start, end)
    assert np.max(np.abs(rotate(turn, start) - end)) < 1e-14
    angle = np.linalg.norm(Rotation.from_quat(turn.T).as_rotvec(), axis=1)
    between = np.arctan2(np.linalg.norm(np.cross(start.T, end.T), axis=1), np.sum(start * end, 0))
    assert np.max(np.abs(angle - between)) < 1e-14
