"""Where joints of the middle belong, when the joints above them are out of place and take them along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.rest.world import RestWorld

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

MEANT_DEG = 10.0
"""An axis of a joint in the middle that is further from the plane's normal is not meant to be along it."""


@dataclass(frozen=True, eq=False)
class TrunkPlanes:
    """The mirror plane as each joint of the middle has it: that of the world, or one it was carried to.

    Attributes
    ----------
    trunk : (N,)
        The joints that belong on the plane.
    normals : (J, 3), distances : (J,)
        The plane that holds at each joint and for what is below it; that of the world for all but trunk joints.
    whole : (N,)
        Distance of each trunk joint from the plane of the world, positive on the side of its normal.
    own : (N,)
        The part of it that the joint is to blame for; 0 where it is on the world's plane, or on the one that it
        was carried to.
    """

    trunk: Indices
    normals: Array
    distances: Array
    whole: Array
    own: Array


def trunk_planes(
    world: RestWorld,
    parents: Indices,
    trunk: Indices,
    normal: Array,
    distance: float,
    tolerance: float,
) -> TrunkPlanes:
    """Return the planes that hold along a trunk.

    A joint may be on the plane that holds at its parent; on the one through its parent, where that has moved
    and taken it along; on the one across an axis of its parent, where that is turned and has taken it along; or
    on that of the world. The first that fits holds from there on. Where none fits, the joint is out of place by
    itself.

    Parameters
    ----------
    world, parents
        The rest pose; parents of all joints.
    trunk : (N,)
        The joints that belong on the plane, parents before children.
    normal, distance
        The plane of the world.
    tolerance
        In units of length: what counts as on a plane.
    """
    places = world.positions
    normals, distances = np.tile(normal, (len(parents), 1)), np.full(len(parents), distance)
    whole = places[trunk] @ normal - distance
    own = np.zeros(len(trunk))
    axes = nearest_axis(world.axes[trunk], normal)
    meant = axes @ normal > np.cos(np.deg2rad(MEANT_DEG))
    across = {int(joint): axes[row] for row, joint in enumerate(trunk) if meant[row]}
    for row, joint in enumerate(trunk):
        parent = int(parents[joint])
        if parent < 0:
            own[row] = whole[row] if abs(whole[row]) > tolerance else 0.0
            continue
        here = normals[parent]
        turned = across.get(parent, here)
        options = (
            (here, distances[parent]),
            (here, here @ places[parent]),
            (turned, turned @ places[parent]),
            (normal, distance),
        )
        off = np.array([each @ places[joint] - level for each, level in options])
        fitting = np.flatnonzero(np.abs(off) <= tolerance)
        if len(fitting):
            normals[joint], distances[joint] = options[fitting[0]]
        else:
            normals[joint], distances[joint] = options[0]
            own[row] = off[np.argmin(np.abs(off[:2]))]
    return TrunkPlanes(trunk, normals, distances, whole, own)


def nearest_axis(axes: Array, normal: Array) -> Array:
    """Return of each of N frames (N, 3, 3) the half-axis (N, 3) that lies nearest to a direction.

    The direction is one for all (3,) or one each (N, 3).
    """
    along = np.einsum("ni,nij->nj", np.broadcast_to(normal, (len(axes), 3)), axes)
    column = np.argmax(np.abs(along), axis=1)
    rows = np.arange(len(axes))
    return np.asarray(axes[rows, :, column] * np.sign(along[rows, column])[:, None])
