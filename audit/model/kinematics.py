"""Forward kinematics: where the joints of a shot are in the world."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.model.skeleton import Skeleton
from audit.rotations import matrix_from_quaternion, multiply, rotate

Array = npt.NDArray[np.float64]


def world_transforms(
    skeleton: Skeleton, rotations: Array, positions: Array, scales: Array | None = None
) -> tuple[Array, Array]:
    """Return world rotations and positions of all joints.

    Parameters
    ----------
    skeleton
        The joints; a root's frame is seen from the world.
    rotations : (4, J, F)
        Local rotations.
    positions : (3, J, F)
        Local positions in the parent's axes.
    scales : (3, J, F)
        Local scales along the joint's own axes, None for 1. They act on everything below the joint.

    Returns
    -------
    rotations : (4, J, F)
        Joint frame to world, scales left out.
    positions : (3, J, F)
        In the world, scales and the shear they bring included.
    """
    world = np.zeros_like(rotations)
    place = np.zeros_like(positions)
    stretch: dict[
        int, Array
    ] = {}  # linear part (3, 3, F) of each joint, only where there are scales
    for joint, parent in enumerate(skeleton.parents):
        turn, move = rotations[:, joint], positions[:, joint]
        if parent < 0:
            world[:, joint], place[:, joint] = turn, move
        else:
            world[:, joint] = multiply(world[:, parent], turn)
            moved = (
                rotate(world[:, parent], move)
                if scales is None
                else np.einsum("rcf,cf->rf", stretch[int(parent)], move)
            )
            place[:, joint] = place[:, parent] + moved
        if scales is not None:
            own = matrix_from_quaternion(turn) * scales[:, joint]
            above = stretch.get(int(parent))
            stretch[joint] = own if above is None else np.einsum("rkf,kcf->rcf", above, own)
    return world, place


def rest_positions(skeleton: Skeleton) -> Array:
    """Return the world positions (J, 3) of all joints in the rest pose."""
    rotations = skeleton.rest_xyzw.T[..., None]
    positions = skeleton.offsets.T[..., None]
    return world_transforms(skeleton, rotations, positions)[1][..., 0].T


def rest_height(skeleton: Skeleton) -> float:
    """Return the largest extent of the rest pose along any world axis, tips included.

    For a standing character that is its height. 0 where all joints are in one place.
    """
    rotations = skeleton.rest_xyzw.T[..., None]
    world, places = world_transforms(skeleton, rotations, skeleton.offsets.T[..., None])
    ends = places[:, skeleton.tip_joints] + rotate(
        world[:, skeleton.tip_joints], skeleton.tip_offsets.T[..., None]
    )
    points = np.concatenate((places[..., 0], ends[..., 0]), axis=1)
    return float(np.max(np.ptp(points, axis=1))) if points.size else 0.0
