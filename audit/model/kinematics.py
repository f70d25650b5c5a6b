"""Forward kinematics: where the joints of a shot are in the world."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from audit.model.skeleton import Skeleton
from audit.rotations import matrix_from_quaternion

Array = npt.NDArray[np.float64]

UNSCALED = 1e-12
"""Rest scales that are this near to 1 are none."""


class World(NamedTuple):
    """World transforms of J joints at T times.

    Attributes
    ----------
    rotations : (4, J, T)
        Joint frame to world, scales left out.
    positions : (3, J, T)
        In the world, scales and the shear they bring included.
    linear : (3, 3, J, T)
        Rotation, scale and shear together, row, column; None where there are no scales.
    """

    rotations: Array
    positions: Array
    linear: Array | None


def world_transforms(
    skeleton: Skeleton, rotations: Array, positions: Array, scales: Array | None = None
) -> World:
    """Return world rotations and positions of all joints.

    Parameters
    ----------
    skeleton
        The joints; a root's frame is seen from the world.
    rotations : (4, J, T)
        Local rotations.
    positions : (3, J, T)
        Local positions in the parent's axes.
    scales : (3, J, T)
        Local scales along the joint's own axes, None for 1. They act on everything below the joint.

    Returns
    -------
    World
    """
    world = np.zeros(rotations.shape)
    place = np.zeros((3, *rotations.shape[1:]))
    linear = None
    if scales is not None:
        # What a joint does to its own children, put together in its place with what is above it.
        linear = matrix_from_quaternion(rotations) * scales
    room = np.zeros((8, rotations.shape[2]))
    for joint, parent in enumerate(skeleton.parents):
        turn, move = rotations[:, joint], positions[:, joint]
        if parent < 0:
            world[:, joint], place[:, joint] = turn, move
            continue
        _multiply_into(world[:, joint], world[:, parent], turn, room)
        if linear is None:
            _carry_into(place[:, joint], world[:, parent], move, room)
            place[:, joint] += place[:, parent]
            continue
        above = linear[:, :, parent]
        place[:, joint] = place[:, parent] + np.einsum("rct,ct->rt", above, move)
        linear[:, :, joint] = np.einsum("rkt,kct->rct", above, linear[:, :, joint])
    return World(world, place, linear)


def _multiply_into(result: Array, left: Array, right: Array, room: Array) -> None:
    """Put the product of quaternions (4, T) into ``result``, without making arrays on the way.

    Forward kinematics asks for it twice a joint; making and filling an array for every term takes longer there
    than the sums themselves. ``room`` (8, T) is written over.
    """
    ax, ay, az, aw = left
    part, parts = room[0], room[1:4]
    np.multiply(aw, right, out=result)
    np.multiply(left[:3], right[3], out=parts)
    vector = result[:3]
    np.add(vector, parts, out=vector)
    for row, (first, second) in enumerate(((ay, az), (az, ax), (ax, ay))):
        one, two = (row + 1) % 3, (row + 2) % 3
        np.multiply(first, right[two], out=part)
        np.add(result[row], part, out=result[row])
        np.multiply(second, right[one], out=part)
        np.subtract(result[row], part, out=result[row])
    np.multiply(left[:3], right[:3], out=parts)
    for each in parts:
        np.subtract(result[3], each, out=result[3])


def _carry_into(result: Array, turn: Array, vector: Array, room: Array) -> None:
    """Put vectors (3, T) turned by quaternions (4, T) into ``result``; see :func:`audit.rotations.rotate`.

    ``room`` (8, T) is written over.
    """
    axis, part, once, parts = turn[:3], room[0], room[1:4], room[4:7]
    _cross_into(once, axis, vector, part)
    np.multiply(once, 2.0, out=once)
    _cross_into(result, axis, once, part)
    np.multiply(turn[3], once, out=parts)
    np.add(result, parts, out=result)
    np.add(result, vector, out=result)


def _cross_into(result: Array, left: Array, right: Array, part: Array) -> None:
    """Put the cross product of vectors (3, T) into ``result``; ``part`` (T,) is written over."""
    for row in range(3):
        one, two = (row + 1) % 3, (row + 2) % 3
        np.multiply(left[one], right[two], out=result[row])
        np.multiply(left[two], right[one], out=part)
        np.subtract(result[row], part, out=result[row])


def rest_transforms(skeleton: Skeleton, *, scaled: bool = True) -> World:
    """Return the world transforms of the rest pose: those of J joints at one time.

    Parameters
    ----------
    skeleton
        The joints.
    scaled
        False leaves the rest scales out.

    Returns
    -------
    World
        With ``linear`` None where all rest scales are 1 or are left out.
    """
    scales = None
    if scaled and np.any(np.abs(skeleton.rest_scales - 1.0) > UNSCALED):
        scales = skeleton.rest_scales.T[..., None]
    rotations, positions = skeleton.rest_xyzw.T[..., None], skeleton.offsets.T[..., None]
    return world_transforms(skeleton, rotations, positions, scales)


def world_rest(skeleton: Skeleton) -> Array:
    """Return the rest rotation of every joint in the world (4, J): joint frame to world, scales left out."""
    return rest_transforms(skeleton, scaled=False).rotations[..., 0]


def rest_positions(skeleton: Skeleton) -> Array:
    """Return the world positions (J, 3) of all joints in the rest pose, rest scales left out."""
    return rest_transforms(skeleton, scaled=False).positions[..., 0].T


def tip_positions(skeleton: Skeleton, world: World) -> Array:
    """Return the world positions (3, N, T) of the tips in a pose of T times, scales included."""
    holders = skeleton.tip_joints
    if world.linear is None:
        linear = matrix_from_quaternion(world.rotations[:, holders])
    else:
        linear = world.linear[:, :, holders]
    carried = np.einsum("rcjt,cjt->rjt", linear, skeleton.tip_offsets.T[..., None])
    result: Array = world.positions[:, holders] + carried
    return result


def height_of(skeleton: Skeleton, world: World) -> float:
    """Return the largest extent of a pose of one time along any world axis, tips included."""
    points = np.concatenate((world.positions, tip_positions(skeleton, world)), axis=1)
    return float(np.max(np.ptp(points, axis=1))) if points.size else 0.0


def rest_height(skeleton: Skeleton) -> float:
    """Return the largest extent of the rest pose along any world axis, tips and rest scales included.

    For a standing character that is its height. 0 where all joints are in one place.
    """
    return height_of(skeleton, rest_transforms(skeleton))
