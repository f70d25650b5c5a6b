"""From the numbers of the pair to joints and channels.

The joint of a bone is at the bone's start, in the axes ``C`` that ``axis`` gives (M. Schafer, "Skeleton File
Definition V1.10", 1995). Course notes on the format (University of Wisconsin, CS 838) have for row vectors
``L = C⁻¹ M C B``, which for columns is ``B C M C⁻¹``. With ``W`` the product of these from the root down to the
bone, the joint's frame in the world is ``W C``, and the rotation from it to the parent's frame ``C_p⁻¹ C M``:
rest rotation ``C_p⁻¹ C``, channels ``M``.
"""

from __future__ import annotations

import numpy as np

from audit.conventions import AXES
from audit.errors import FormatError
from audit.formats.acclaim._motion import Array, Motion
from audit.formats.acclaim._skeleton import LENGTH, MOVES, TURNS, SkeletonFile
from audit.model import Channels, Skeleton
from audit.rotations import conjugate, multiply, quaternion_from_angles, rotate


def axes_of(file: SkeletonFile) -> Array:
    """Return the axes of every joint in the world at rest (4, J), as quaternions."""
    turns = [
        quaternion_from_angles(np.array(bone.axis[::-1]), bone.axis_order[::-1])
        for bone in file.bones
    ]
    return np.stack(turns, axis=1)


def ends_of(file: SkeletonFile) -> Array:
    """Return where every bone's end lies from its start (3, J), in world axes at rest."""
    ends = [np.array(bone.direction) * (bone.length * file.length_unit) for bone in file.bones]
    return np.stack(ends, axis=1)


def skeleton_of(file: SkeletonFile) -> Skeleton:
    """Return the joints of a skeleton file: the root, then one for each bone."""
    parents = np.array(file.parents)
    above = np.maximum(parents, 0)
    axes, ends = axes_of(file), ends_of(file)
    rest = multiply(conjugate(axes[:, above]), axes)
    offsets = rotate(conjugate(axes[:, above]), ends[:, above])
    rest[:, 0] = axes[:, 0]
    offsets[:, 0] = np.array(file.bones[0].position) * file.length_unit
    leaves = np.array(
        [
            place
            for place, bone in enumerate(file.bones)
            if bone.length > 0.0 and place not in file.parents
        ],
        dtype=np.int64,
    )
    return Skeleton(
        names=tuple(bone.name for bone in file.bones),
        parents=parents,
        offsets=offsets.T,
        rest_xyzw=rest.T,
        orders=tuple(bone.order for bone in file.bones),
        tip_joints=leaves,
        tip_offsets=rotate(conjugate(axes[:, leaves]), ends[:, leaves]).T,
    )


def channels_of(file: SkeletonFile, motion: Motion, skeleton: Skeleton, path: str) -> Channels:
    """Return the channels of a motion.

    Parameters
    ----------
    file, motion
        The pair.
    skeleton
        The joints of the skeleton file.
    path
        Of the motion, for error messages.

    Returns
    -------
    Channels
        Rotations in degrees, as the motion has them. Positions are whole positions in the parent's axes.
    """
    joints = len(file.bones)
    columns = column_table(file)
    turns = columns[:, 3:6]
    blocks = [motion.values[:, turns[turns >= 0]]]
    if not motion.degrees:
        blocks[0] = np.rad2deg(blocks[0])
    rotation_columns = np.full((joints, 3), -1, dtype=np.int64)
    rotation_columns[turns >= 0] = np.arange(blocks[0].shape[1])
    position_columns = np.full((joints, 3), -1, dtype=np.int64)
    width = blocks[0].shape[1]
    for joint in range(joints):
        moved = _positions(file, motion, skeleton, joint, columns)
        if moved is None:
            continue
        axes = columns[joint, :3] >= 0 if joint == 0 else np.ones(3, dtype=bool)
        position_columns[joint, axes] = width + np.arange(np.sum(axes))
        width += int(np.sum(axes))
        blocks.append(moved[:, axes])
    values = np.hstack(blocks)
    if not np.isfinite(values).all():
        raise FormatError(
            "the numbers are too large to work with",
            path=path,
            where="line 1",
            hint="Correct the unit of length, or write the pair again",
        )
    return Channels(values, rotation_columns, position_columns)


def column_table(file: SkeletonFile) -> np.ndarray:
    """Return the column of the motion's numbers of each joint (J, 7) for tx ty tz rx ry rz l, −1 for none."""
    table = np.full((len(file.bones), 7), -1, dtype=np.int64)
    width = 0
    for joint, bone in enumerate(file.bones):
        for place, freedom in enumerate(bone.freedoms):
            table[joint, (*MOVES, *TURNS, LENGTH).index(freedom)] = width + place
        width += len(bone.freedoms)
    return table


def _positions(
    file: SkeletonFile, motion: Motion, skeleton: Skeleton, joint: int, columns: np.ndarray
) -> Array | None:
    """Return the position of a joint in its parent's axes (F, 3), None where it stays at its offset."""
    parent = file.parents[joint]
    stretch = int(columns[parent, 6]) if parent >= 0 else -1
    own = columns[joint, :3]
    if stretch < 0 and np.all(own < 0):
        return None
    move = np.zeros((3, len(motion.values)))
    for axis, _ in enumerate(AXES):
        if own[axis] >= 0:
            move[axis] = motion.values[:, own[axis]] * file.length_unit
    if parent >= 0:
        # A bone moves in its own axes; they stand to the parent's as at rest, whatever the bone's own turn.
        move = rotate(skeleton.rest_xyzw[joint][:, None], move)
    if stretch >= 0:
        axes = axes_of(file)[:, parent]
        along = rotate(conjugate(axes), np.array(file.bones[parent].direction))
        move = move + along[:, None] * (motion.values[:, stretch] * file.length_unit)
    placed: Array = skeleton.offsets[joint] + move.T
    return placed
