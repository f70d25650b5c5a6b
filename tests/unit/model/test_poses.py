"""Poses at any time, for shots of every make, against SciPy's interpolators."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, Slerp

from audit.model import Shot, Skeleton, Track, Tracks
from audit.model.poses import Player
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.rotations import quaternion_from_rotation_vector
from tests.strategies import random_directions, random_quaternions, seeds, turn_between
from tests.unit.reorient.making import asked_times, local_matrices, moving_shots

Array = npt.NDArray[np.float64]
IDENTITY = (0.0, 0.0, 0.0, 1.0)


def matrices_of(shot: Shot, times: Array) -> tuple[Array, Array]:
    """Return rotations (T, J, 3, 3) and local transforms (T, J, 4, 4) of a pose."""
    pose = Player(shot).at(times)
    rotations = Rotation.from_quat(pose.rotations.T.reshape(-1, 4)).as_matrix()
    turns = rotations.reshape(len(times), -1, 3, 3)
    local = np.zeros((*turns.shape[:2], 4, 4))
    local[..., :3, :3] = turns if pose.scales is None else turns * pose.scales.T[..., None, :]
    local[..., :3, 3] = pose.positions.T
    local[..., 3, 3] = 1.0
    return turns, local


@given(st.data())
def test_any_shot_at_its_keys_and_between(data: st.DataObject) -> None:
    shot = data.draw(moving_shots())
    times = asked_times(shot)
    for found, expected in zip(matrices_of(shot, times), local_matrices(shot, times), strict=True):
        np.testing.assert_allclose(found, expected, atol=1e-11)


@given(seeds, st.floats(0.0, 1.0))
def test_between_frames_joints_turn_the_straight_way(seed: int, share: float) -> None:
    generator = np.random.default_rng(seed)
    first = Rotation.random(2, random_state=generator)
    steps = Rotation.from_rotvec(
        (random_directions(generator, 2) * generator.uniform(0.0, 3.1, 2)).T
    )
    turns = np.stack((first.as_quat(), (first * steps).as_quat()))
    turns *= generator.choice([-1.0, 1.0], (2, 2, 1))
    skeleton = Skeleton.plain(["a", "b"], [-1, 0], np.eye(3)[:2])
    shot = Shot(skeleton, np.array([1.0, 3.0]), rotations=turns)
    found = Player(shot).at(np.array([1.0 + 2.0 * share])).rotations[..., 0]
    for joint in range(2):
        expected = Slerp([0.0, 1.0], Rotation.from_quat(turns[:, joint]))(share).as_quat()
        assert turn_between(found[:, joint], expected) < 1e-9


@given(seeds, st.floats(1e-12, 3.14), st.sampled_from([0.0, 1e-13, -1e-10]))
def test_half_way_is_half_the_angle(seed: int, angle: float, off: float) -> None:
    """Also for shares that miss one half by a rounding, and by whichever sign the ends come."""
    generator = np.random.default_rng(seed)
    start = random_quaternions(generator)
    axis = random_directions(generator)
    turn = Rotation.from_rotvec(axis * angle)
    end = (Rotation.from_quat(start) * turn).as_quat() * generator.choice([-1.0, 1.0])
    track = Track(np.array([0.0, 1.0]), np.stack((start, end)))
    found = track.at([0.5 + off])[0]
    expected = (Rotation.from_quat(start) * Rotation.from_rotvec(axis * angle * 0.5)).as_quat()
    assert turn_between(found, expected) < 1e-9
    assert np.linalg.norm(found) == pytest.approx(1.0, abs=1e-12)


def test_half_way_of_some_and_keys_of_others_at_once() -> None:
    """Two clocks: at one time the one is at a key and the other half-way, and at a third of the way."""
    quarter = quaternion_from_rotation_vector(np.array([0.0, 0.0, np.pi / 2]))
    keys = np.stack((np.array(IDENTITY), quarter))
    tracks = (
        Track(np.array([0.0, 1.0]), keys),
        Track(np.array([0.5, 2.0]), keys),
        Track(np.array([0.0, 0.5]), keys, "step"),
    )
    skeleton = Skeleton.plain(["a", "b", "c"], [-1, 0, 1], np.eye(3))
    shot = Shot(
        skeleton,
        np.array([0.0, 0.5, 1.0, 2.0]),
        tracks=Tracks(tracks, (None,) * 3, (None,) * 3),
    )
    turns = Player(shot).at(np.array([0.5, 1.0, 0.25])).rotations
    angles = np.rad2deg(2.0 * np.arctan2(turns[2], turns[3]))
    np.testing.assert_allclose(
        angles, np.array([[45.0, 90.0, 22.5], [0.0, 30.0, 0.0], [90.0, 90.0, 0.0]]), atol=1e-12
    )


def test_scales_are_left_out_where_there_are_none() -> None:
    shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    assert Player(shot).at(shot.times_s).scales is None
    scaled = replace(shot.skeleton, rest_scales=np.full((3, 3), 2.0))
    scales = Player(replace(shot, skeleton=scaled)).at(shot.times_s[:2]).scales
    np.testing.assert_array_equal(scales, np.full((3, 3, 2), 2.0))


@pytest.mark.parametrize("times", [[], [0.0], [-1.0, 9.0], [1.0, 0.0, 1.0]])
def test_times_in_any_order_and_number(times: list[float]) -> None:
    shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(frames=9)), seconds=1.0)
    found = Player(shot).at(np.array(times)).rotations
    assert found.shape == (4, 3, len(times))
    for place, time in enumerate(times):
        alone = Player(shot).at(np.array([time])).rotations[..., 0]
        np.testing.assert_allclose(found[..., place], alone, atol=1e-15)


def test_a_pose_cannot_change_the_shot() -> None:
    shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(frames=9)))
    before = np.array(shot.rotations_xyzw)
    player = Player(shot)
    pose = player.at(shot.times_s)
    again = player.at(shot.times_s)
    np.testing.assert_array_equal(pose.rotations, again.rotations)
    np.testing.assert_array_equal(shot.rotations_xyzw, before)
