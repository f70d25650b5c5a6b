"""Limbs: which way each joint points, how well an axis lies along it, and which joints form a chain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.measures.offsets import aim_error
from audit.model import Skeleton
from audit.rest.mirror import Deviations, reflection
from audit.rest.pairs import Pairs
from audit.rest.world import RestWorld, subtree_sizes

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SHORT = 1e-6
"""Share of the height below which a limb has no direction."""


@dataclass(frozen=True, eq=False)
class Limbs:
    """Limbs of J joints in the world.

    Attributes
    ----------
    child : (J,)
        Place of the joint that the limb leads to: the only child with something below it, or the main one.
        −1 for a leaf.
    branching : (J,)
        Whether several limbs begin here, so that no single direction is the joint's own.
    chain : (J,)
        Number of the chain that the joint is in. A chain goes on as long as nothing branches off it; helper
        joints without anything below them do not count as branches.
    limb : (J, 3)
        Unit vector along the limb, towards the child or else the end point; NaN where there is none.
    length : (J,)
        Its length in the file's unit, 0 where there is none.
    aim_deg : (J,)
        Angle to the nearest principal axis, NaN where there is no limb. Where limbs branch, the best of them
        and of their mean counts. Where a joint is out of place by itself, so is its limb; then the place
        where its partner or the mirror plane has it counts, if that is better.
    aim_axis : (J, 3)
        That half-axis in the joint's own axes.
    aim_limb : (J, 3)
        The direction that it was measured to, in the world.
    aim_raw_deg : (J,)
        The angle with the limb as it stands.
    """

    child: Indices
    branching: Flags
    chain: Indices
    limb: Array
    length: Array
    aim_deg: Array
    aim_axis: Array
    aim_limb: Array
    aim_raw_deg: Array


def limbs_of(
    skeleton: Skeleton,
    world: RestWorld,
    pairs: Pairs,
    mirror: Deviations | None = None,
    displaced: Flags | None = None,
) -> Limbs:
    """Return the limbs of a skeleton in its rest pose.

    Parameters
    ----------
    skeleton, world, pairs
        The rest pose.
    mirror
        How far the pairs are from mirrored; None where nothing is known of that.
    displaced : (J,)
        Joints that are out of place by themselves; None for none.
    """
    parents, count = skeleton.parents, len(skeleton)
    children = children_of(parents)
    sizes = subtree_sizes(parents)
    has_tip = np.zeros(count, dtype=bool)
    has_tip[skeleton.tip_joints] = True
    child = np.full(count, -1, dtype=np.int64)
    branching = np.zeros(count, dtype=bool)
    for joint, below in enumerate(children):
        bearing = [each for each in below if sizes[each] > 1 or has_tip[each]]
        branching[joint] = len(bearing or below) + has_tip[joint] > 1
        if below:
            child[joint] = (
                bearing[0] if len(bearing) == 1 and len(below) > 1 else skeleton.main_child[joint]
            )
    chain = np.arange(count)
    for joint, parent in enumerate(parents):
        if parent >= 0 and not branching[parent] and child[parent] == joint:
            chain[joint] = chain[parent]

    short = SHORT * max(world.height, 1e-300)
    vectors = np.full((count, 3), np.nan)
    leads = child >= 0
    vectors[leads] = world.positions[child[leads]] - world.positions[leads]
    ends = np.full((count, 3), np.nan)
    for tip, joint in enumerate(skeleton.tip_joints):
        vector = world.tips[tip] - world.positions[joint]
        if not np.linalg.norm(ends[joint]) > np.linalg.norm(vector):
            ends[joint] = vector
    vectors = np.where((child < 0)[:, None], ends, vectors)
    length = np.linalg.norm(vectors, axis=1)
    known = length > short
    limb = np.where(known[:, None], vectors / np.where(known, length, 1.0)[:, None], np.nan)
    length = np.where(known, length, 0.0)

    plain = _options(world, vectors, ends, children, branching)
    options = plain
    if pairs.has_plane and displaced is not None and np.any(displaced):
        beside = displaced.copy()
        beside[parents[displaced & (parents >= 0)]] = True
        mended = np.where(beside[:, None], _mended(plain, parents, pairs, mirror, child), np.nan)
        options = np.concatenate((plain, mended))
    aim, axis, target = _best_aim(world.axes, options, short)
    raw, _, _ = _best_aim(world.axes, plain, short)
    return Limbs(child, branching, chain, limb, length, aim, axis, target, raw)


MOST_BRANCHES = 8
"""So many limbs of one joint are looked at."""


def children_of(parents: Indices) -> list[list[int]]:
    """Return the children of each joint."""
    children: list[list[int]] = [[] for _ in parents]
    for joint, parent in enumerate(parents):
        if parent >= 0:
            children[parent].append(joint)
    return children


def _options(
    world: RestWorld,
    vectors: Array,
    ends: Array,
    children: list[list[int]],
    branching: Flags,
) -> Array:
    """Return vectors (N, J, 3) that an axis of each joint may lie along; NaN where there are fewer.

    First the limb itself, then the end point, the mean of the branches, and each branch.
    """
    options = np.full((3 + MOST_BRANCHES, len(vectors), 3), np.nan)
    options[0], options[1] = vectors, ends
    for joint in np.flatnonzero(branching):
        ways = world.positions[children[joint]] - world.positions[joint]
        options[3 : 3 + min(len(ways), MOST_BRANCHES), joint] = ways[:MOST_BRANCHES]
        options[2, joint] = np.mean(ways, axis=0)
    return options


def _mended(
    options: Array, parents: Indices, pairs: Pairs, mirror: Deviations | None, child: Indices
) -> Array:
    """Return vectors (N, J, 3) as the partner has them, mirrored, or put onto the plane in the middle."""
    flat = options - (options @ pairs.normal)[..., None] * pairs.normal
    count = options.shape[1]
    maps = np.broadcast_to(reflection(pairs.normal), (count, 3, 3)).copy()
    if mirror is not None:
        # The map of a child's pair is the one that its parents' limbs keep to.
        for joints, others, each in (
            (mirror.right, mirror.left, mirror.maps),
            (mirror.left, mirror.right, mirror.maps.swapaxes(1, 2)),
        ):
            led = (parents[joints] >= 0) & (pairs.partner[parents[joints]] == parents[others])
            led &= child[parents[joints]] == joints
            maps[parents[joints[led]]] = each[led]
    theirs = np.einsum("jab,njb->nja", maps, options[:, np.maximum(pairs.partner, 0)])
    return np.where((pairs.partner >= 0)[:, None], theirs, flat)


def _best_aim(axes: Array, vectors: Array, short: float) -> tuple[Array, Array, Array]:
    """Return error in degrees (J,), half-axis (J, 3) and direction (J, 3) of the vector that is met best."""
    rows, count, _ = vectors.shape
    length = np.linalg.norm(vectors, axis=2, keepdims=True)
    fine = length > short
    options = np.where(fine, vectors / np.where(fine, length, 1.0), np.nan)
    local = np.einsum("jba,njb->anj", axes, options).reshape(3, rows * count)
    known = np.isfinite(local[0])
    angle, half_axis = aim_error(np.where(known, local, 0.0))
    angle = np.where(known, angle, np.inf).reshape(rows, count)
    half_axis = half_axis.reshape(3, rows, count)
    # The limb as it stands wins against an equally good one that is only thought of.
    best = np.argmax(angle <= angle.min(axis=0) + 1e-9, axis=0)
    place = np.arange(count)
    error = angle[best, place]
    error = np.where(np.isfinite(error), np.rad2deg(error), np.nan)
    return error, half_axis[:, best, place].T, options[best, place]
