"""The middle of a rig: joints that belong on the mirror plane, and their axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.rest.carried import TrunkPlanes, nearest_axis, trunk_planes
from audit.rest.mirror import Deviations
from audit.rest.pairs import Pairs
from audit.rest.plane import TRUNK_SHARE, trunk_joints
from audit.rest.world import RestWorld

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SMALL_PLACE = 2e-5
"""Share of the height that is no shift at all."""

SMALL_TURN_DEG = 0.005
"""Degrees that are no turn at all."""


@dataclass(frozen=True, eq=False)
class Trunk:
    """The joints of the trunk, and how they lie about the mirror plane.

    Attributes
    ----------
    member : (J,)
        Joints that belong on the plane: on no side, above no joint that is, and not far away from it.
    off : (J,)
        Distance from the plane in the file's unit, positive towards the left; NaN elsewhere.
    off_own : (J,)
        The part that the joint is to blame for, not its parent that carries it along.
    twist_deg : (J,)
        Right-handed turn about the limb (pointing to the child) from where the axes belong to where they are: a
        principal axis belongs at right angles to the plane. NaN where there is no limb in the plane.
    twist_own_deg : (J,)
        The part that is not carried along from the parent.
    limb : (J, 3)
        The limb as seen in the plane, a unit vector in the world.
    """

    member: Flags
    off: Array
    off_own: Array
    twist_deg: Array
    twist_own_deg: Array
    limb: Array


def planes_of(world: RestWorld, parents: Indices, pairs: Pairs) -> TrunkPlanes:
    """Return the plane that holds at each joint of the trunk; there must be a mirror plane."""
    trunk = trunk_joints(parents, pairs.partner, pairs.mark)
    small = SMALL_PLACE * world.height
    return trunk_planes(world, parents, trunk, pairs.normal, pairs.distance, small)


def trunk_of(
    world: RestWorld, parents: Indices, pairs: Pairs, planes: TrunkPlanes | None, limb: Array
) -> Trunk:
    """Return the trunk of a rig.

    Parameters
    ----------
    world, parents, pairs
        The rest pose; parents of all joints; their pairs.
    planes
        From :func:`planes_of`; None where there is no mirror plane.
    limb : (J, 3)
        Unit vector along each joint's limb, NaN where it has none.
    """
    count = len(parents)
    member = np.zeros(count, dtype=bool)
    off, off_own, twist, twist_own = np.full((4, count), np.nan)
    flat = np.full((count, 3), np.nan)
    if planes is None:
        return Trunk(member, off, off_own, twist, twist_own, flat)
    near = np.abs(planes.whole) < TRUNK_SHARE * world.height
    trunk = planes.trunk[near]
    member[trunk] = True
    off[trunk], off_own[trunk] = planes.whole[near], planes.own[near]

    in_plane = limb[trunk] - np.outer(limb[trunk] @ pairs.normal, pairs.normal)
    length = np.linalg.norm(in_plane, axis=1)
    seen = length > 0.2  # a limb that runs across the plane has no side of its own
    trunk, in_plane = trunk[seen], in_plane[seen] / length[seen, None]
    flat[trunk] = in_plane
    above = np.maximum(parents[trunk], 0)
    here, held = planes.normals[trunk], nearest_axis(world.axes[above], pairs.normal)
    held = np.where((parents[trunk] >= 0)[:, None], held, here)
    turns = [
        twist_between(normals, nearest_axis(world.axes[trunk], normals), in_plane)
        for normals in (np.broadcast_to(pairs.normal, here.shape), here, held)
    ]
    still = np.min(np.abs(turns), axis=0) <= SMALL_TURN_DEG
    twist[trunk], twist_own[trunk] = turns[0], np.where(still, 0.0, turns[1])
    return Trunk(member, off, off_own, twist, twist_own, flat)


def twist_between(start: Array, end: Array, about: Array) -> Array:
    """Return the right-handed turn (N,) in degrees about axes that takes directions to others, both (N, 3).

    Seen along the axis: what the directions have along it is left out.
    """
    first = start - np.sum(start * about, axis=1)[:, None] * about
    second = end - np.sum(end * about, axis=1)[:, None] * about
    sine = np.sum(np.cross(first, second) * about, axis=1)
    return np.asarray(np.rad2deg(np.arctan2(sine, np.sum(first * second, axis=1))))


def displaced_joints(
    parents: Indices, planes: TrunkPlanes | None, mirror: Deviations | None
) -> Flags:
    """Return the joints (J,) that are out of place by themselves, on the mirror plane or against a partner."""
    displaced = np.zeros(len(parents), dtype=bool)
    if planes is not None:
        displaced[planes.trunk] = planes.own != 0.0
    if mirror is not None:
        moved = np.any(mirror.place_own != 0.0, axis=1)
        displaced[mirror.left[moved]] = displaced[mirror.right[moved]] = True
    return displaced
