"""The rest pose in the world: where every joint and end point is, and how its axes lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.model import Skeleton
from audit.model.kinematics import world_transforms
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
    scales = None
    if np.any(np.abs(skeleton.rest_scales - 1.0) > 1e-12):
        scales = skeleton.rest_scales.T[..., None]
    turns, places, stretched = world_transforms(
        skeleton, skeleton.rest_xyzw.T[..., None], skeleton.offsets.T[..., None], scales
    )
    axes = np.moveaxis(matrix_from_quaternion(turns[..., 0]), 2, 0)
    linear = axes if stretched is None else np.moveaxis(stretched[..., 0], 2, 0)
    positions = places[..., 0].T
    holders = skeleton.tip_joints
    tips = positions[holders] + np.einsum("tij,tj->ti", linear[holders], skeleton.tip_offsets)
    height = float(np.max(np.ptp(np.concatenate((positions, tips)), axis=0)))
    return RestWorld(turns[..., 0].T, axes, linear, positions, tips, height)


def subtree_sizes(parents: Indices) -> Indices:
    """Return how many joints (J,) stand in the branch that begins at each joint, itself included."""
    sizes = np.ones(len(parents), dtype=np.int64)
    for joint in range(len(parents) - 1, 0, -1):
        if parents[joint] >= 0:
            sizes[parents[joint]] += sizes[joint]
    return sizes
