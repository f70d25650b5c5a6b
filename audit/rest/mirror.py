"""How far left and right are from being mirrored, and which joint it starts at.

A joint that is moved or turned takes its whole branch along, so every joint below it is out of place too. What
a joint itself is to blame for is only what is neither in its place in the world nor carried along by its
parent. Both are asked of every pair at once; no pair waits for the one above it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.rest.carried import MEANT_DEG, TrunkPlanes, nearest_axis
from audit.rest.world import RestWorld
from audit.rotations import matrix_from_quaternion, quaternion_between

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SAME_CONVENTION_DEG = 0.5
"""Pairs whose axes differ from each other's by less count as set up in the same way."""

VOTERS = 128
"""So many pairs, evenly taken, propose the usual way at most: the time goes with their number."""

REPEATED_VOICE = 0.05
"""Weight of a pair that only repeats the pair above it, when the usual way is sought."""


@dataclass(frozen=True, eq=False)
class Deviations:
    """How far P pairs are from mirrored about a plane. Vectors are in the world.

    Attributes
    ----------
    left, right : (P,)
        The joints of each pair.
    usual : (3, 3)
        How the right axes follow from the mirrored left ones in most pairs: ``right = M left usualᵀ`` with
        the reflection M. Orthogonal, determinant −1.
    place : (P, 3)
        From where the right joint should be to where it is.
    place_own : (P, 3)
        The part of it that this pair is to blame for, see above; zero where it is carried along.
    turn : (P, 3)
        Rotation vector in radians, in the right joint's own axes: the turn that takes its axes from where
        they should be to where they are.
    turn_own : (P, 3)
        The part of it that this pair is to blame for.
    maps : (P, 3, 3)
        The mirror map that leads from the left limb above the pair to the right one: the reflection, or what
        has become of it where a joint above is turned with all below it.
    carries : (P,)
        Whether the branch below the pair is turned along with its axes: then the limb itself is turned, else
        only the axes are.
    """

    left: Indices
    right: Indices
    usual: Array
    place: Array
    place_own: Array
    turn: Array
    turn_own: Array
    maps: Array
    carries: Flags


def reflection(normal: Array) -> Array:
    """Return the matrix (3, 3) that mirrors directions at a plane with this unit normal (3,)."""
    return np.asarray(np.eye(3) - 2.0 * np.outer(normal, normal))


def mirrored(points: Array, normal: Array, distance: float) -> Array:
    """Return points (N, 3) mirrored at the plane ``normal · x = distance``."""
    return np.asarray(points - 2.0 * (points @ normal - distance)[:, None] * normal)


def turn_vectors(matrices: Array) -> Array:
    """Return rotation vectors (N, 3) in radians of rotation matrices (N, 3, 3), exact for small turns too.

    Of a half turn the axis is taken from the symmetric part, where its sign is free.
    """
    skew = 0.5 * np.stack(
        (
            matrices[:, 2, 1] - matrices[:, 1, 2],
            matrices[:, 0, 2] - matrices[:, 2, 0],
            matrices[:, 1, 0] - matrices[:, 0, 1],
        ),
        axis=1,
    )
    sine = np.linalg.norm(skew, axis=1)
    cosine = 0.5 * (np.trace(matrices, axis1=1, axis2=2) - 1.0)
    angle = np.arctan2(sine, cosine)
    factor = np.where(sine > 1e-8, angle / np.maximum(sine, 1e-8), 1.0)
    vectors = skew * factor[:, None]
    for row in np.flatnonzero((sine <= 1e-4) & (cosine < 0.0)):
        symmetric = 0.5 * (matrices[row] + matrices[row].T)
        axis = np.linalg.eigh(symmetric)[1][:, -1]
        vectors[row] = axis * angle[row] * (1.0 if axis @ skew[row] >= 0.0 else -1.0)
    return np.asarray(vectors)


def usual_way(images: Array, above: Indices) -> Array:
    """Return the matrix (3, 3) that most of P matrices agree with, averaged over those that do.

    Parameters
    ----------
    images : (P, 3, 3)
        For each pair the mirrored left axes seen from the right ones, ``rightᵀ M left``.
    above : (P,)
        Row of the pair of the parents, −1 for none. A pair that agrees with the one above it has little
        voice of its own: an arm that is turned as a whole must not win by its fingers.

    Notes
    -----
    Where axes were set up joint by joint the matrix has one 1 or −1 in each row; such ones are preferred.
    """
    if not len(images):
        return np.diag([-1.0, 1.0, 1.0])
    limit = 1.0 + 2.0 * np.cos(np.deg2rad(SAME_CONVENTION_DEG))  # trace of a turn by that angle
    same = (above >= 0) & (np.einsum("pij,pij->p", images, images[above]) > limit)
    voice = np.where(same, REPEATED_VOICE, 1.0)
    snapped = np.zeros_like(images)
    rows, columns = np.arange(len(images))[:, None], np.argmax(np.abs(images), axis=2)
    snapped[rows, np.arange(3), columns] = np.sign(images[rows, np.arange(3), columns])
    quarter = np.einsum("pij,pij->p", images, snapped) > limit
    asked = images[quarter] if np.any(quarter) else images
    voice = voice[quarter] if np.any(quarter) else voice
    chosen = np.unique(np.linspace(0, len(asked) - 1, VOTERS).astype(int))
    agree = np.einsum("aij,bij->ab", asked[chosen], asked) > limit
    best = int(np.argmax(agree @ voice))
    left, _, right = np.linalg.svd(np.median(asked[agree[best]], axis=0))
    return np.asarray(left @ right)


def deviations(
    world: RestWorld,
    parents: Indices,
    partner: Indices,
    left: Indices,
    planes: TrunkPlanes,
    normal: Array,
    distance: float,
    tolerance: float,
    turn_tolerance: float,
) -> Deviations:
    """Return how far pairs are from mirrored about a plane.

    A pair may be mirrored as the pair of its parents is; as that would be if its parents had moved and taken
    it along; if they were turned and had taken it along, which their axes tell, or else their limbs; or as the
    world is. The first way that fits place and axes, or else the place, holds for what is below. Where none
    fits, the pair is out of place by itself.

    Parameters
    ----------
    world
        The rest pose.
    parents, partner : (J,)
        Parent and partner of each joint, −1 for none.
    left : (P,)
        One joint of each pair.
    planes
        The plane that holds at each joint of the middle.
    normal, distance
        The plane of the world, ``normal · x = distance``.
    tolerance
        In units of length: what counts as in place.
    turn_tolerance
        In radians: what counts as not turned.
    """
    right = partner[left]
    mirror, shift = reflection(normal), 2.0 * distance * normal
    axes, places = world.axes, world.positions
    images = np.einsum("pji,jk,pkl->pil", axes[right], mirror, axes[left])
    above = rows_above(parents, partner, left)
    usual = usual_way(images, above)
    rooted = (parents[left] >= 0) & (parents[right] >= 0)
    by_axes = _map_of_axes(axes, parents, partner, left, above, mirror, usual)
    by_limbs = _map_of_limbs(places, parents, left, right, mirror)
    maps, shifts = _maps_of_trunk(parents, left, right, planes, mirror, shift)

    def turns(linear: Array, rows: Indices) -> Array:
        """Return the turns (N, 3) of right axes against the left ones under maps (N, 3, 3)."""
        should = np.einsum("pij,pjk,lk->pil", linear, axes[left[rows]], usual)
        return turn_vectors(np.einsum("pji,pjk->pik", should, axes[right[rows]]))

    place_own = np.zeros((len(left), 3))
    carries = np.zeros(len(left), dtype=bool)
    for rows in _levels(above):
        led = above[rows] >= 0
        maps[rows[led]], shifts[rows[led]] = maps[above[rows[led]]], shifts[above[rows[led]]]
        one, other = places[parents[left[rows]]], places[parents[right[rows]]]
        world_maps = np.broadcast_to(mirror, (len(rows), 3, 3))
        linear = np.stack((maps[rows], maps[rows], by_axes[rows], by_limbs[rows], world_maps))
        moves = other - np.einsum("mpij,pj->mpi", linear, one)
        moves[0], moves[4] = shifts[rows], shift
        left_over = places[right[rows]] - moves
        left_over -= np.einsum("mpij,pj->mpi", linear, places[left[rows]])
        sizes = np.linalg.norm(left_over, axis=2)
        sizes[1:4, ~rooted[rows]] = np.inf
        placed = sizes <= tolerance
        turned = np.stack([np.linalg.norm(turns(each, rows), axis=1) for each in linear])
        best = np.argmax(2 * placed + (placed & (turned <= turn_tolerance)), axis=0)
        at = np.arange(len(rows))
        maps[rows], shifts[rows] = linear[best, at], moves[best, at]
        nearest = np.argmin(sizes[:2], axis=0)
        fits = np.any(placed, axis=0)
        place_own[rows] = np.where(fits[:, None], 0.0, left_over[nearest, at])
        carries[above[rows[(best == 2) & led]]] = True
    every = np.arange(len(left))
    place = places[right] - mirrored(places[left], normal, distance)
    turn = turns(np.broadcast_to(mirror, maps.shape), every)
    turn_own = turns(maps, every)
    still = np.minimum(np.linalg.norm(turn, axis=1), np.linalg.norm(turn_own, axis=1))
    turn_own = np.where((still <= turn_tolerance)[:, None], 0.0, turn_own)
    return Deviations(left, right, usual, place, place_own, turn, turn_own, maps, carries)


def _maps_of_trunk(
    parents: Indices,
    left: Indices,
    right: Indices,
    planes: TrunkPlanes,
    mirror: Array,
    shift: Array,
) -> tuple[Array, Array]:
    """Return, for each pair, the mirror map (P, 3, 3) and shift (P, 3) that hold at the parent it hangs on."""
    maps = np.broadcast_to(mirror, (len(left), 3, 3)).copy()
    shifts = np.broadcast_to(shift, (len(left), 3)).copy()
    rows = np.flatnonzero((parents[left] >= 0) & (parents[left] == parents[right]))
    normals = planes.normals[parents[left[rows]]]
    maps[rows] = np.eye(3) - 2.0 * normals[:, :, None] * normals[:, None, :]
    shifts[rows] = 2.0 * planes.distances[parents[left[rows]], None] * normals
    return maps, shifts


def _levels(above: Indices) -> list[Indices]:
    """Return the rows of pairs by how many pairs are above them, from none on."""
    depth = np.zeros(len(above), dtype=np.int64)
    at = above.copy()
    while np.any(at >= 0):
        depth += at >= 0
        at = np.where(at >= 0, above[at], -1)
    return [np.flatnonzero(depth == level) for level in range(int(depth.max(initial=0)) + 1)]


def _map_of_axes(
    axes: Array,
    parents: Indices,
    partner: Indices,
    left: Indices,
    above: Indices,
    mirror: Array,
    usual: Array,
) -> Array:
    """Return, for each pair, the mirror map (P, 3, 3) that the axes of its parents stand for.

    It is the reflection where the parents are mirrored themselves. Where one is turned, it is what the
    reflection becomes if everything below the parent is turned along.
    """
    above_left, above_right = parents[left], parents[partner[left]]
    result = np.broadcast_to(mirror, (len(left), 3, 3)).copy()
    rows = np.flatnonzero(above >= 0)
    result[rows] = np.einsum(
        "pij,jk,plk->pil", axes[above_right[rows]], usual, axes[above_left[rows]]
    )
    rows = np.flatnonzero((above_left >= 0) & (above_left == above_right))
    normal = np.linalg.eigh(mirror)[1][:, 0]  # the one direction that the reflection turns round
    across = nearest_axis(axes[above_left[rows]], normal)
    meant = across @ normal > np.cos(np.deg2rad(MEANT_DEG))
    rows, across = rows[meant], across[meant]
    result[rows] = np.eye(3) - 2.0 * across[:, :, None] * across[:, None, :]
    return result


def _map_of_limbs(
    places: Array, parents: Indices, left: Indices, right: Indices, mirror: Array
) -> Array:
    """Return the mirror map (P, 3, 3) that the limbs above the pair's parents stand for.

    For formats without rest rotations: a limb that swings takes the limbs below it along.
    """
    result = np.broadcast_to(mirror, (len(left), 3, 3)).copy()
    ends = np.stack((parents[left], parents[right]))
    starts = np.where(ends >= 0, parents[ends], -1)
    limbs = places[ends] - places[starts]
    length = np.linalg.norm(limbs, axis=2)
    known = np.all((starts >= 0) & (length > 1e-9), axis=0) & (ends[0] != ends[1])
    rows = np.flatnonzero(known)
    if len(rows):
        unit = limbs[:, rows] / length[:, rows, None]
        between = matrix_from_quaternion(quaternion_between((unit[0] @ mirror).T, unit[1].T))
        result[rows] = np.einsum("ijp,jk->pik", between, mirror)
    return result


def rows_above(parents: Indices, partner: Indices, left: Indices) -> Indices:
    """Return for each pair (P,) the row of the pair of its parents, −1 where they are no pair."""
    row = np.full(
        len(parents) + 1, -1, dtype=np.int64
    )  # the last place serves joints without a parent
    row[left] = row[partner[left]] = np.arange(len(left))
    above = parents[left]
    theirs = parents[partner[left]]
    paired = (above >= 0) & (partner[above] == theirs)
    return np.where(paired, row[above], -1)
