"""Where joints sit in the body that they drive: cross-sections of the skin at each joint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError

from audit.model import Skeleton, Skin
from audit.rest.limbs import Limbs
from audit.rest.pairs import Pairs
from audit.rest.world import RestWorld

Array = npt.NDArray[np.float64]

SLABS = 0.02, 0.05, 0.12
"""Half the thickness of the slice that counts as the cross-section, as a share of the shorter limb beside it:
the first that holds enough points."""

FEWEST = 8
"""Points that a cross-section needs."""

LEAST_SUM = 0.3
"""Length of the sum of two unit vectors along limbs below which they fold back: no slice is across both."""

CARRIED = 0.5
"""Share of a point's weight that the joint and its parent must have together."""


@dataclass(frozen=True, eq=False)
class Sections:
    """Cross-sections of the skin at J joints, and the skin's points.

    Attributes
    ----------
    off : (J, 3)
        From the joint to the middle of its cross-section, in the world; NaN where there is none.
    first : (J,)
        Joints of one side at which a limb begins at the trunk, such as hips.
    thickness : (J,)
        Diameter of the circle with the cross-section's area; NaN where there is none.
    points : (V, 3)
        All points of all skins in the rest pose, in the world.
    """

    off: Array
    first: npt.NDArray[np.bool_]
    thickness: Array
    points: Array


def rest_points(skin: Skin, world: RestWorld) -> Array:
    """Return the points (V, 3) of a skin in the rest pose, in the world (linear blending)."""
    carriers = world.linear[skin.joints] @ skin.inverse_binds[:, :3, :3]
    shifts = (
        np.einsum("sij,sj->si", world.linear[skin.joints], skin.inverse_binds[:, :3, 3])
        + world.positions[skin.joints]
    )
    points = np.zeros_like(skin.points)
    for rows, weights in zip(skin.influences.T, skin.weights.T, strict=True):
        moved = np.einsum("vij,vj->vi", carriers[rows], skin.points) + shifts[rows]
        points += weights[:, None] * moved
    return points


def sections_of(
    skeleton: Skeleton, world: RestWorld, limbs: Limbs, pairs: Pairs, skins: Sequence[Skin]
) -> Sections:
    """Return the cross-sections of skins at the joints that have a limb above and one below.

    The cross-section is the slice of the points that the joint and its parent carry, across the middle
    direction of the two limbs; points beside it are put onto it along their own limb. Its middle is the
    centroid of the outline (the convex hull), so that it does not matter where the points are dense. Where a
    limb begins at the trunk, the slice is across the limb alone, of the points that the joint carries itself.
    """
    count, parents = len(skeleton), skeleton.parents
    first = (pairs.partner >= 0) & (parents >= 0) & (pairs.partner[parents] < 0)
    off, thickness = np.full((count, 3), np.nan), np.full(count, np.nan)
    if not skins:
        return Sections(off, first, thickness, np.zeros((0, 3)))
    clouds = [rest_points(skin, world) for skin in skins]
    points = np.concatenate(clouds)
    weights = np.zeros((len(points), count))
    start = 0
    for skin in skins:
        rows = np.arange(start, start + len(skin.points))
        for influences, shares in zip(skin.influences.T, skin.weights.T, strict=True):
            np.add.at(weights, (rows, skin.joints[influences]), shares)
        start += len(skin.points)
    for joint in range(count):
        parent = skeleton.parents[joint]
        if parent < 0 or limbs.child[joint] < 0 or limbs.branching[joint]:
            continue
        above = world.positions[joint] - world.positions[parent]
        length, below = float(np.linalg.norm(above)), limbs.limb[joint]
        if length <= 1e-6 * world.height or np.isnan(below[0]):
            continue
        above = below if first[joint] else above / length
        along = below + above
        size = float(np.linalg.norm(along))
        if size < LEAST_SUM:
            continue
        along /= size
        carried = weights[:, joint] + (0.0 if first[joint] else weights[:, parent])
        mine = points[carried >= CARRIED] - world.positions[joint]
        depth = mine @ along
        shorter = float(limbs.length[joint])
        shorter = shorter if first[joint] else min(length, shorter)
        for slab in SLABS:
            near = np.abs(depth) <= slab * shorter
            if np.sum(near) >= FEWEST:
                break
        # Each point goes to the slice along its own limb, so that a bend does not shift the middle.
        ways = np.where(depth[near, None] < 0.0, above, below)
        slice_ = mine[near] - ways * (depth[near] / (ways @ along))[:, None]
        found = outline(slice_, along)
        if found is not None:
            off[joint], thickness[joint] = found
    return Sections(off, first, thickness, points)


def outline(points: Array, along: Array) -> tuple[Array, float] | None:
    """Return the middle (3,) and the thickness of a slice of points (N, 3) across a direction (3,).

    The middle is the centroid of the convex hull of the points seen along the direction, the thickness the
    diameter of the circle with the same area. None for fewer points than a cross-section needs, or flat ones.
    """
    if len(points) < FEWEST:
        return None
    first = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    first /= np.linalg.norm(first)
    second = np.cross(along, first)
    flat = np.stack((points @ first, points @ second), axis=1)
    try:
        hull = ConvexHull(flat)
    except QhullError:  # all points on one line
        return None
    corners = flat[hull.vertices]
    following = np.roll(corners, -1, axis=0)
    parts = corners[:, 0] * following[:, 1] - corners[:, 1] * following[:, 0]
    area = 0.5 * float(np.sum(parts))
    middle = np.sum((corners + following) * parts[:, None], axis=0) / (6.0 * area)
    place = middle[0] * first + middle[1] * second
    return place, float(np.sqrt(4.0 * abs(area) / np.pi))
