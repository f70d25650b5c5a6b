"""Forward kinematics: where the joints of a shot are in the world."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from audit.model.skeleton import Skeleton
from audit.rotations import matrix_from_quaternion, multiply, rotate

Array = npt.NDArray[np.float64]


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
    world = np.zeros_like(rotations)
    place = np.zeros_like(positions)
    linear = None
    if scales is not None:
        # What a joint does to its own children, put together in its place with what is above it.
        linear = matrix_from_quaternion(rotations) * scales
    for joint, parent in enumerate(skeleton.parents):
        turn, move = rotations[:, joint], positions[:, joint]
        if parent < 0:
            world[:, joint], place[:, joint] = turn, move
            continue
        world[:, joint] = multiply(world[:, parent], turn)
        if linear is None:
            place[:, joint] = place[:, parent] + rotate(world[:, parent], move)
            continue
        above = linear[:, :, parent]
        place[:, joint] = place[:, parent] + np.einsum("rct,ct->rt", above, move)
        linear[:, :, joint] = np.einsum("rkt,kct->rct", above, linear[:, :, joint])
    return World(world, place, linear)


def rest_positions(skeleton: Skeleton) -> Array:
    """Return the world positions (J, 3) of all joints in the rest pose."""
    rotations = skeleton.rest_xyzw.T[..., None]
    positions = skeleton.offsets.T[..., None]
    return world_transforms(skeleton, rotations, positions).positions[..., 0].T


def rest_height(skeleton: Skeleton) -> float:
    """Return the largest extent of the rest pose along any world axis, tips included.

    For a standing character that is its height. 0 where all joints are in one place.
    """
    rotations = skeleton.rest_xyzw.T[..., None]
    world, places, _ = world_transforms(skeleton, rotations, skeleton.offsets.T[..., None])
    ends = places[:, skeleton.tip_joints] + rotate(
        world[:, skeleton.tip_joints], skeleton.tip_offsets.T[..., None]
    )
    points = np.concatenate((places[..., 0], ends[..., 0]), axis=1)
    return float(np.max(np.ptp(points, axis=1))) if points.size else 0.0
