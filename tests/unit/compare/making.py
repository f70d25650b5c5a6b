"""Shots to compare: a small walker, changed in one known way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from audit.compare import Matching, match_joints
from audit.compare.axes import AxesChange
from audit.compare.motion import Motion, compare_motion, pose_world
from audit.compare.shots import cut
from audit.model import Shot, Skeleton, Source
from audit.reorient import turn_axes
from audit.rotations import multiply, quaternion_from_rotation_vector
from tests.strategies import Array

NAMES = ("Hips", "L_Thigh", "L_Knee", "L_Foot", "R_Thigh", "R_Knee", "R_Foot", "Spine", "Head")
PARENTS = (-1, 0, 1, 2, 0, 4, 5, 0, 7)
OFFSETS = (
    (0.0, 10.0, 0.0),
    (1.0, 0.0, 0.0),
    (0.0, -4.0, 0.0),
    (0.0, -5.0, 0.0),
    (-1.0, 0.0, 0.0),
    (0.0, -4.0, 0.0),
    (0.0, -5.0, 0.0),
    (0.0, 3.0, 0.0),
    (0.0, 4.0, 0.0),
)
FRAMES = 61
IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])


def turn(axis: Sequence[float], degrees: float) -> Array:
    """Return a turn (4,) about an axis of any length."""
    unit = np.asarray(axis, dtype=np.float64)
    return quaternion_from_rotation_vector(unit / np.linalg.norm(unit) * np.deg2rad(degrees))


def walker(
    *,
    names: Sequence[str] = NAMES,
    frames: int = FRAMES,
    seconds: float = 2.0,
    start_s: float = 0.0,
    rest: bool = True,
    stretch: float = 1.0,
) -> Shot:
    """Return a walker: knees bend on one axis, the other joints turn a little on all."""
    count = len(NAMES)
    times = np.linspace(0.0, seconds, frames) if frames > 1 else np.zeros(1)
    rests = np.tile(IDENTITY, (count, 1))
    if rest:
        rests[1], rests[7] = turn((0.0, 1.0, 0.3), 25.0), turn((1.0, 0.0, 0.0), 8.0)
    skeleton = Skeleton(
        tuple(names),
        np.array(PARENTS),
        np.array(OFFSETS) * stretch,
        rests,
        ("YZX",) * count,
        np.array([3, 6, 8]),
        np.array([[0.0, 0.0, 1.5], [0.0, 0.0, 1.5], [0.0, 1.0, 0.0]]) * stretch,
    )
    rotations = np.zeros((frames, count, 4))
    for joint in range(count):
        # Times two and a half a phase apart, so that no two joints move alike.
        swing = np.sin(3.0 * times + 2.5 * joint)
        vector = np.outer((0.1, 0.05, 0.08), swing) + np.outer((0.0, 0.07, 0.02), swing**2)
        if NAMES[joint].endswith("Knee"):
            vector = np.outer((1.0, 0.0, 0.0), 0.6 - 0.6 * np.cos(4.0 * times + joint))
        rotations[:, joint] = multiply(
            rests[joint][:, None], quaternion_from_rotation_vector(vector)
        ).T
    positions = np.tile(skeleton.offsets, (frames, 1, 1))
    positions[:, 0, 2] += stretch * times
    return Shot(
        skeleton,
        times + start_s,
        Source("walker.bvh"),
        rotations=rotations,
        positions=positions,
        has_rest_rotations=rest,
    )


def turned(shot: Shot, turns: dict[int, Array]) -> Shot:
    """Return a shot in other axes, as a stranger would deliver it: nothing says what was turned."""
    axes = np.tile(IDENTITY, (len(shot.skeleton), 1))
    for joint, quaternion in turns.items():
        axes[joint] = quaternion
    result, refused = turn_axes(shot, axes)
    assert refused == {}
    return replace(result, turned=None)


def with_rotations(shot: Shot, joint: int, extra: Array) -> Shot:
    """Return a shot in which a joint turns by something more (4, F) in its own axes."""
    rotations = shot.rotations_xyzw.copy()
    rotations[:, joint] = multiply(rotations[:, joint].T, extra).T
    return replace(shot, rotations=rotations)


def matched(before: Shot, after: Shot) -> Matching:
    """Return which joint is which, as ``compare`` finds it."""
    places = [pose_world(shot, shot.times_s[:1]).positions[..., 0].T for shot in (before, after)]
    return match_joints(before.skeleton, after.skeleton, *places)


def compared(before: Shot, after: Shot) -> tuple[Motion, AxesChange]:
    """Return whether the motion is the same, and how the axes are turned."""
    return compare_motion(before, after, matched(before, after))


def cut_walker(first: int, last: int) -> Shot:
    """Return some frames of the walker at their own times."""
    shot = walker()
    return cut(shot, shot.times_s[first:last])
