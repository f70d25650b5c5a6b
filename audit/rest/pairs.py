"""Mirror pairs: which joint is the left and which the right of the same part, and the plane between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from audit.errors import ShapeError
from audit.model import Skeleton
from audit.rest.marks import paired_by_name
from audit.rest.mirror import mirrored
from audit.rest.plane import PLACE_TOLERANCE, plane_of
from audit.rest.world import RestWorld, rest_world, subtree_sizes

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

NEAR = 0.05
"""Two joints can be paired by place where one is this near to the other's mirror image: share of the height."""

SYMMETRIC = 0.75
"""Share of the joints that must have a counterpart before a plane is taken from places alone."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """The mirror pairs of a skeleton with J joints, and its mirror plane in the world of the rest pose.

    Attributes
    ----------
    partner : (J,)
        Place of the joint on the other side, −1 where there is none. Always mutual.
    side : (J,)
        +1 left, −1 right, 0 for a joint that is on neither side or of which it is not known. Where the
        names of a pair say nothing, the side that the normal points to counts as left.
    mark : (J,)
        The side that the name states, with or without a partner; 0 where it states none.
    found_by
        ``name`` or ``place`` for a joint with a partner, None for one without.
    normal : (3,)
        Unit normal of the plane, towards the left joints. NaN where there is no plane.
    distance
        The plane is ``normal · x = distance``. NaN where there is no plane.
    plane_from
        ``given``, ``pairs by name``, ``pairs by place`` or ``nothing``.
    """

    partner: Indices
    side: Indices
    mark: Indices
    found_by: tuple[str | None, ...]
    normal: Array
    distance: float
    plane_from: str

    @property
    def has_plane(self) -> bool:
        """Whether a mirror plane was found or given."""
        return bool(np.isfinite(self.distance))

    @property
    def left(self) -> Indices:
        """One joint of each pair (P,), the one on the left, in the order of the skeleton."""
        joints = np.arange(len(self.partner))
        first = (self.side > 0) | ((self.side == 0) & (joints < self.partner))
        return np.flatnonzero((self.partner >= 0) & first)

    @property
    def right(self) -> Indices:
        """The other joint of each pair (P,), in the same order."""
        return np.asarray(self.partner[self.left])


def find_pairs(skeleton: Skeleton, plane: tuple[Array, float] | None = None) -> Pairs:
    """Return the mirror pairs of a skeleton and its mirror plane.

    Names come first: two joints whose names differ in a mark of left and right only (see
    :mod:`audit.rest.marks`). Where names say nothing, two joints pair whose parents pair, or are the same, and
    of which one stands near the other's mirror image.

    Parameters
    ----------
    skeleton
        The joints.
    plane
        Normal (3,) and distance where they are known; else the plane is found (see
        :func:`audit.rest.plane.plane_of`).

    Returns
    -------
    Pairs
        On plain arrays, in the world of the rest pose.

    Raises
    ------
    ShapeError
        Where the given normal is not three numbers of some length.
    """
    world = rest_world(skeleton)
    parents = skeleton.parents
    partner, mark = paired_by_name(skeleton.names, parents)
    by_name = partner >= 0
    found: tuple[Array, float] | None
    if plane is not None:
        found, plane_from = _given(plane), "given"
    else:
        found, plane_from = _plane(world, parents, partner, mark), "pairs by name"
        if found is None:
            found, plane_from = _plane_by_place(world, parents), "pairs by place"
    if found is not None:
        _pair_by_place(world, parents, partner, mark, *found)
        if plane is None and np.any((partner >= 0) & ~by_name):
            found = _plane(world, parents, partner, mark, found) or found
    side = mark.copy()
    if found is not None:
        normal, distance = found
        apart = world.positions @ normal - distance
        paired = partner >= 0
        # A lone letter in the name of a joint on the plane is no mark of a side.
        mark[~paired & (np.abs(apart) <= PLACE_TOLERANCE * world.height)] = 0
        side = mark.copy()
        gap = apart - apart[partner]
        unnamed = paired & (mark == 0) & (mark[partner] == 0)
        side = np.where(unnamed, np.sign(gap).astype(np.int64), side)
        side = np.where(paired & (side == 0), -side[partner], side)
    else:
        normal, distance, plane_from = np.full(3, np.nan), float("nan"), "nothing"
    ways = (None, "place", "name")
    found_by = tuple(ways[way] for way in (partner >= 0).astype(int) + by_name)
    for array in (partner, side, mark, normal):
        array.setflags(write=False)
    return Pairs(partner, side, mark, found_by, normal, distance, plane_from)


def _given(plane: tuple[Array, float]) -> tuple[Array, float]:
    normal = np.array(plane[0], dtype=np.float64)
    length = float(np.linalg.norm(normal)) if normal.shape == (3,) else 0.0
    if not (np.isfinite(length) and length > 0.0):
        raise ShapeError(
            "the normal of the mirror plane should be three numbers that are not all 0",
            hint="Give a direction such as 1 0 0",
        )
    return normal / length, float(plane[1])


def _plane(
    world: RestWorld,
    parents: Indices,
    partner: Indices,
    mark: Indices,
    known: tuple[Array, float] | None = None,
) -> tuple[Array, float] | None:
    """Return the plane of the pairs found so far, None where no two partners stand apart."""
    joints = np.arange(len(partner))
    first = (mark > 0) | ((mark == 0) & (mark[partner] == 0) & (joints < partner))
    first |= (mark == 0) & (mark[partner] < 0)
    left = np.flatnonzero((partner >= 0) & first)
    if known is not None:
        swap = (mark[left] == 0) & (mark[partner[left]] == 0)
        swap &= (world.positions[left] - world.positions[partner[left]]) @ known[0] < 0.0
        left = np.where(swap, partner[left], left)
    apart = np.linalg.norm(world.positions[left] - world.positions[partner[left]], axis=1)
    if not np.any(apart > PLACE_TOLERANCE * world.height):
        return None
    return plane_of(world, parents, partner, mark, left)


def _plane_by_place(world: RestWorld, parents: Indices) -> tuple[Array, float] | None:
    """Return the plane that mirrors most joints onto joints, None where none mirrors enough of them.

    Siblings with branches of equal size propose the planes. Of equal ones the plane whose normal is nearest to
    a world axis is taken, X before Z before Y.
    """
    sizes = subtree_sizes(parents)
    middle = _branch_centres(world, parents, sizes)
    tree = cKDTree(world.positions)
    best: tuple[float, ...] = (SYMMETRIC, 0.0, 0.0)
    chosen = None
    for first, second in _alike_siblings(parents, sizes):
        across = middle[first] - middle[second]
        length = float(np.linalg.norm(across))
        if length <= PLACE_TOLERANCE * world.height:
            continue
        normal = across / length
        distance = float(0.5 * (middle[first] + middle[second]) @ normal)
        images = mirrored(world.positions, normal, distance)
        reach = 0.2 * NEAR * world.height
        share = float(np.mean(tree.query(images)[0] <= reach))
        axis = int(np.argmax(np.abs(normal)))
        score = (share, float(np.abs(normal[axis])), (2.0, 0.0, 1.0)[axis])
        if tuple(np.round(score, 3)) > tuple(np.round(best, 3)):
            best, chosen = score, (normal * np.sign(normal[axis]), distance * np.sign(normal[axis]))
    return chosen


def _branch_centres(world: RestWorld, parents: Indices, sizes: Indices) -> Array:
    """Return the mean place (J, 3) of the joints in the branch that begins at each joint."""
    total = world.positions.copy()
    for joint in range(len(parents) - 1, 0, -1):
        if parents[joint] >= 0:
            total[parents[joint]] += total[joint]
    return np.asarray(total / sizes[:, None])


def _alike_siblings(parents: Indices, sizes: Indices) -> list[tuple[int, int]]:
    """Return pairs of joints with one parent and equally many joints below them."""
    groups: dict[tuple[int, int], list[int]] = {}
    for joint, parent in enumerate(parents):
        groups.setdefault((int(parent), int(sizes[joint])), []).append(joint)
    return [
        (first, second)
        for members in groups.values()
        for place, first in enumerate(members)
        for second in members[place + 1 :]
    ]


def _pair_by_place(
    world: RestWorld,
    parents: Indices,
    partner: Indices,
    mark: Indices,
    normal: Array,
    distance: float,
) -> None:
    """Pair joints that are left over with the ones at their mirror images; fills in partner."""
    count = len(parents)
    sizes = subtree_sizes(parents)
    least, reach = 2.0 * PLACE_TOLERANCE * world.height, NEAR * world.height
    # Partners that both begin on the plane are told by the middle of what is below them.
    on_plane = np.abs(world.positions @ normal - distance) <= least
    centres = _branch_centres(world, parents, sizes)
    points = np.where(on_plane[:, None], centres, world.positions)
    apart = points @ normal - distance
    images = mirrored(points, normal, distance)
    children: dict[int, list[int]] = {}
    for joint, parent in enumerate(parents):
        children.setdefault(int(parent), []).append(joint)
    for parent in range(-1, count):
        other = parent if parent < 0 or partner[parent] < 0 else int(partner[parent])
        if parent > other:
            continue  # done from the other side

        def free(holder: int, sign: int) -> list[int]:
            """Return the unpaired children of a joint on one side of the plane, or of all sides."""
            return [
                each
                for each in children.get(holder, [])
                if partner[each] < 0 and abs(apart[each]) > least and sign * apart[each] >= 0.0
            ]

        if parent == other:
            ours, theirs = free(parent, 1), free(parent, -1)
        else:
            ours, theirs = free(parent, 0), free(other, 0)
        if not ours or not theirs:
            continue
        gap = np.linalg.norm(images[ours][:, None] - points[theirs][None], axis=2)
        gap[on_plane[ours][:, None] != on_plane[theirs][None]] += reach
        clash = (mark[ours][:, None] * mark[theirs][None]) > 0
        unlike = np.abs(sizes[ours][:, None] - sizes[theirs][None])
        cost = np.where(clash, 1e9, gap + unlike * 0.1 * reach)
        for row, column in zip(*linear_sum_assignment(cost), strict=True):
            if gap[row, column] <= reach and not clash[row, column]:
                partner[ours[row]], partner[theirs[column]] = theirs[column], ours[row]
