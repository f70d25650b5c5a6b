"""The same motion or not: over which time, at which size, and how far off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from audit.compare.motion import SAME_POSITION, SAME_ROTATION_DEG, scale_between
from audit.compare.shots import cut, scaled
from audit.model import Channels, Shot, Track, Tracks
from audit.model.kinematics import world_transforms
from audit.model.poses import Player
from tests.strategies import shots
from tests.unit.compare.making import (
    FRAMES,
    compared,
    matched,
    turn,
    turned,
    walker,
    with_rotations,
)

KNEE, HEAD = 2, 8


def held(quaternion: np.ndarray) -> np.ndarray:
    return np.repeat(quaternion[:, None], FRAMES, axis=1)


def moved(shot: Shot, by: float) -> Shot:
    positions = shot.local_positions.copy()
    positions[30, 0, 0] += by
    return replace(shot, positions=positions)


def test_a_shot_is_the_same_motion_as_itself() -> None:
    motion, _ = compared(walker(), walker())
    assert (motion.same, motion.whole, motion.scale, motion.retimed_s) == ("yes", True, 1.0, 0.0)
    assert motion.found is not None
    assert motion.found.position == 0.0
    assert motion.seconds == (0.0, 2.0)


@pytest.mark.parametrize(("factor", "answer"), [(0.5, "yes"), (2.0, "no")])
def test_the_limits_are_where_they_are_said_to_be(factor: float, answer: str) -> None:
    shot = walker()
    found = compared(shot, shot)[0].found
    assert found is not None
    motion, _ = compared(shot, moved(shot, factor * SAME_POSITION * found.height))
    assert motion.same == answer
    bent = with_rotations(shot, HEAD, held(turn((0.0, 1.0, 0.0), factor * SAME_ROTATION_DEG)))
    assert compared(shot, bent)[0].same == answer


def test_the_joint_and_the_time_of_the_largest_difference_are_told() -> None:
    shot = walker()
    motion, _ = compared(shot, moved(shot, 0.5))
    assert motion.found is not None
    assert motion.found.position == pytest.approx(0.5)
    assert motion.found.position_time_s == pytest.approx(shot.times_s[30])


def test_a_longer_shot_is_compared_over_the_common_time() -> None:
    long, short = walker(seconds=4.0, frames=121), walker(seconds=2.0, frames=61)
    motion, _ = compared(long, short)
    assert (motion.same, motion.whole) == ("yes", False)
    assert motion.seconds == (0.0, 2.0)


def test_a_piece_out_of_the_middle_is_found_by_the_clock() -> None:
    shot = walker()
    piece = cut(shot, shot.times_s[20:40])
    motion, axes = compared(shot, turned(piece, {KNEE: turn((0.0, 1.0, 0.0), 30.0)}))
    assert (motion.same, motion.start, motion.whole) == ("yes", "clock", False)
    assert motion.seconds == pytest.approx((shot.times_s[20], shot.times_s[39]))
    assert axes.total_deg[KNEE] == pytest.approx(30.0, abs=1e-6)


def test_shots_that_begin_at_other_times_are_laid_on_each_other_at_their_first_keys() -> None:
    motion, _ = compared(walker(), walker(start_s=1.0 / 30.0))
    assert (motion.same, motion.start, motion.whole) == ("yes", "first keys", True)


def test_frame_times_that_are_only_written_otherwise_are_compared_frame_by_frame() -> None:
    shot = walker()
    other = replace(shot, times_s=shot.times_s * 1.0001)
    motion, _ = compared(shot, other)
    assert motion.same == "yes"
    assert motion.retimed_s == pytest.approx(2e-4)
    slower = compared(shot, replace(shot, times_s=shot.times_s * 1.25))[0]
    assert (slower.same, slower.retimed_s) == ("no", 0.0)


def test_a_faster_sampling_of_the_same_motion_differs_only_between_frames() -> None:
    shot = walker()
    finer = cut(shot, np.linspace(0.0, 2.0, 2 * FRAMES - 1))
    motion, _ = compared(shot, finer)
    assert motion.same == "yes"
    assert motion.whole


@pytest.mark.parametrize("rest", [True, False])
def test_another_unit_of_length_is_named_and_not_taken(rest: bool) -> None:
    motion, axes = compared(walker(rest=rest), walker(rest=rest, stretch=100.0))
    assert motion.same == "no"
    assert motion.scale == pytest.approx(100.0)
    assert motion.same_but_for_scale is True
    assert np.max(axes.total_deg) < 1e-6
    other = scaled(with_rotations(walker(), KNEE, held(turn((1.0, 0.0, 0.0), 5.0))), 100.0)
    assert compared(walker(), other)[0].same_but_for_scale is False


def test_other_proportions_have_no_scale() -> None:
    shot = walker()
    offsets = shot.skeleton.offsets.copy()
    offsets[3] *= 1.5
    other = replace(shot, skeleton=replace(shot.skeleton, offsets=offsets))
    assert scale_between(shot, other, matched(shot, other)) is None


def test_what_cannot_be_told() -> None:
    still = walker(frames=1)
    assert compared(still, still)[0].same == "yes"
    motion, _ = compared(still, walker())
    assert motion.same == "cannot tell"
    assert "one instant" in (motion.because or "")
    flat = replace(
        still,
        skeleton=replace(
            still.skeleton,
            offsets=np.zeros((9, 3)),
            tip_joints=np.zeros(0, dtype=np.int64),
            tip_offsets=np.zeros((0, 3)),
        ),
    )
    assert "no height" in (compared(flat, flat)[0].because or "")


def as_tracks(shot: Shot, scale: float | None = None) -> Shot:
    count = len(shot.skeleton)
    pose = Player(shot).at(shot.times_s)
    growing = np.repeat(np.linspace(1.0, scale or 1.0, shot.frames)[:, None], 3, axis=1)
    grow = [Track(shot.times_s, growing), *[None] * (count - 1)] if scale else [None] * count
    tracks = Tracks(
        tuple(Track(shot.times_s, pose.rotations[:, joint].T) for joint in range(count)),
        tuple(Track(shot.times_s, pose.positions[:, joint].T) for joint in range(count)),
        tuple(grow),
    )
    return Shot(shot.skeleton, shot.times_s, tracks=tracks)


@given(shots())
def test_scaled_shots_have_scaled_places(shot: Shot) -> None:
    for each in (shot, as_tracks(shot), as_tracks(shot, 1.5)):
        own, its = (
            world_transforms(one.skeleton, *Player(one).at(one.times_s))
            for one in (each, scaled(each, 2.5))
        )
        np.testing.assert_allclose(its.positions, 2.5 * own.positions, atol=1e-12)
        np.testing.assert_array_equal(its.rotations, own.rotations)


def test_position_channels_are_scaled_and_rotation_channels_are_not() -> None:
    values = np.arange(12.0).reshape(2, 6)
    base = walker(frames=1).skeleton
    one = replace(
        base,
        names=("Root",),
        parents=np.array([-1]),
        offsets=np.zeros((1, 3)),
        rest_xyzw=base.rest_xyzw[:1],
        orders=("YZX",),
        tip_joints=np.zeros(0, dtype=np.int64),
        tip_offsets=np.zeros((0, 3)),
        rest_scales=np.ones((1, 3)),
    )
    shot = Shot(
        one, np.arange(2.0), channels=Channels(values, np.array([[3, 4, 5]]), np.array([[0, 1, 2]]))
    )
    result = scaled(shot, 10.0)
    assert result.channels is not None
    np.testing.assert_array_equal(result.channels.values[:, :3], 10.0 * values[:, :3])
    np.testing.assert_array_equal(result.channels.values[:, 3:], values[:, 3:])
    np.testing.assert_array_equal(values, np.arange(12.0).reshape(2, 6))


@given(shots(frame_counts=(3, 9, 24)))
def test_a_cut_shows_what_the_whole_shows(shot: Shot) -> None:
    for each in (shot, as_tracks(shot, 1.5)):
        times = np.linspace(each.times_s[0], each.times_s[-1], 7)
        own = world_transforms(each.skeleton, *Player(each).at(times))
        piece = cut(each, times)
        its = world_transforms(piece.skeleton, *Player(piece).at(times))
        np.testing.assert_allclose(its.positions, own.positions, atol=1e-9)
        np.testing.assert_allclose(its.rotations, own.rotations, atol=1e-9)
