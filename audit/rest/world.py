"""The rest pose in the world: where every joint and end point is, and how its axes lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.model import Skeleton
from audit.model.kinematics import height_of, rest_transforms, tip_positions
from audit.rotations import matrix_from_quaternion

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class RestWorld:
    """The rest pose of J joints and T end points, in the world. Component last.

    Attributes
    ----------
    rotations_xyzw : (J, 4)
        Joint frame to world, scales left out.
    axes : (J, 3, 3)
        The same as matrices: the columns are the joint's axes.
    linear : (J, 3, 3)
        Joint frame to world with the scales and the shear they bring; the same as ``axes`` without scales.
    positions : (J, 3)
        Scales included, in the file's unit of length.
    tips : (T, 3)
        The end points.
    height
        Largest extent along any world axis, end points included: for a standing character its height.
        Of a rig in one place it is 0.
    """

    rotations_xyzw: Array
    axes: Array
    linear: Array
    positions: Array
    tips: Array
    height: float


def rest_world(skeleton: Skeleton) -> RestWorld:
    """Return the rest pose of a skeleton in the world."""
    world = rest_transforms(skeleton)
    turns = world.rotations[..., 0]
    axes = np.moveaxis(matrix_from_quaternion(turns), 2, 0)
    linear = axes if world.linear is None else np.moveaxis(world.linear[..., 0], 2, 0)
    tips = tip_positions(skeleton, world)[..., 0].T
    return RestWorld(
        turns.T, axes, linear, world.positions[..., 0].T, tips, height_of(skeleton, world)
    )


def subtree_sizes(parents: Indices) -> Indices:
    """Return how many joints (J,) stand in the branch that begins at each joint, itself included."""
    sizes = np.ones(len(parents), dtype=np.int64)
    for joint in range(len(parents) - 1, 0, -1):
        if parents[joint] >= 0:
            sizes[parents[joint]] += sizes[joint]
    return sizes
