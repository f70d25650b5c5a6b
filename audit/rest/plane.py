"""The mirror plane of a rest pose: found from what the pairs agree on, not assumed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.rest.carried import trunk_planes
from audit.rest.mirror import deviations
from audit.rest.world import RestWorld

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

PLACE_TOLERANCE = 1e-3
"""Share of the height that counts as in place: the limit of the check on mirrored places."""

TURN_TOLERANCE_DEG = 0.5
"""The same for axes."""

FINE = 0.2
"""Share of the tolerances from which a joint counts, by half, when planes are compared."""

ROOT_OFF, ORIGIN_OFF = 0.85, 0.3
"""What weighs against a plane among equally good ones, in shares of the joints that are out of place: a root
beside it, and an origin beside it. Our choice: a whole body out of place must outweigh a root out of place."""

TRUNK_SHARE = 0.05
"""A joint without a partner that is further from the plane, as a share of the height, is not meant to be on it:
a sheath or a shoulder strap."""

SAME_DIRECTION = 5e-5
"""Radians below which two proposed directions are not told apart: the median settles the rest."""

CANDIDATES = 12
"""So many pairs, those nearest to the trunk first, propose a direction of the plane."""


def plane_of(
    world: RestWorld, parents: Indices, partner: Indices, mark: Indices, left: Indices
) -> tuple[Array, float]:
    """Return the plane (unit normal (3,), distance) that leaves the fewest joints to blame.

    Parameters
    ----------
    world
        The rest pose.
    parents, partner, mark : (J,)
        Parent and partner of each joint, −1 for none; the side that its name states, 0 for none.
    left : (P,)
        One joint of each pair; the normal points to their side. At least one pair must stand apart.

    Notes
    -----
    Directions between partners, their medians, and the world's axes are tried as normals; the middles of
    pairs, joints without a partner, and the origin as distances. Those are kept for which the fewest joints
    are out of place by themselves (not carried along by a parent). Of equals the one nearest to a world axis,
    and then the likeliest, wins (see ``_faults``). The normal is then the median direction between the
    partners that are in place, the distance the median of their middles: a few broken pairs move neither.
    """
    right = partner[left]
    across = world.positions[left] - world.positions[right]
    apart = np.linalg.norm(across, axis=1)
    wide = apart > PLACE_TOLERANCE * world.height
    left, right, across = left[wide], right[wide], across[wide]
    directions = across / apart[wide, None]
    middles = 0.5 * (world.positions[left] + world.positions[right])
    trunk = trunk_joints(parents, partner, mark)
    tops = _tops(parents, partner, left)
    best: tuple[float, ...] | None = None
    chosen = directions[0], 0.0
    for normal in _normals(directions, tops):
        for distance in _distances(world, normal, middles, tops, trunk):
            faults, unlikely = _faults(world, parents, partner, left, trunk, normal, distance)
            off_axis = round(1.0 - float(np.max(np.abs(normal))), 5)
            score = (faults, off_axis, round(unlikely, 6), abs(distance) / world.height)
            if best is None or score < best:
                best, chosen = score, (normal, distance)
    return _settled(world, left, right, directions, middles, *chosen)


def _settled(
    world: RestWorld,
    left: Indices,
    right: Indices,
    directions: Array,
    middles: Array,
    normal: Array,
    distance: float,
) -> tuple[Array, float]:
    """Return the median plane of the pairs that a chosen plane mirrors."""
    across = world.positions[left] - world.positions[right]
    off = np.linalg.norm(across - np.outer(across @ normal, normal), axis=1)
    gap = np.abs(middles @ normal - distance)
    tolerance = PLACE_TOLERANCE * world.height
    held = (off <= tolerance) & (gap <= tolerance)
    if np.any(held):
        median = np.median(directions[held], axis=0)
        normal = median / np.linalg.norm(median)
        distance = float(np.median(middles[held] @ normal))
    return normal, distance


def trunk_joints(parents: Indices, partner: Indices, mark: Indices) -> Indices:
    """Return the joints on no side whose ancestors are on none either: root, spine, neck, head, tail."""
    trunk = (partner < 0) & (mark == 0)
    for joint, parent in enumerate(parents):
        if parent >= 0:
            trunk[joint] &= trunk[parent]
    return np.flatnonzero(trunk)


def _tops(parents: Indices, partner: Indices, left: Indices) -> Indices:
    """Return the rows of the pairs that branch off the trunk."""
    above = parents[left]
    tops = np.flatnonzero((above < 0) | (partner[above] < 0))
    return tops if len(tops) else np.arange(len(left))


def _normals(directions: Array, tops: Indices) -> list[Array]:
    overall = np.median(directions, axis=0)
    proposed = [
        *np.sign(overall)[:, None] * np.eye(3),
        overall / max(float(np.linalg.norm(overall)), 1e-9),
        *directions[tops[:CANDIDATES]],
        *directions[:CANDIDATES],
    ]
    kept: list[Array] = []
    for normal in proposed:
        near = float(np.linalg.norm(normal)) > 0.5 and normal @ overall > 0.5
        if near and not any(np.linalg.norm(normal - each) < SAME_DIRECTION for each in kept):
            kept.append(np.asarray(normal))
    return kept


def _distances(
    world: RestWorld, normal: Array, middles: Array, tops: Indices, trunk: Indices
) -> list[float]:
    values = np.concatenate(
        (
            np.median(middles, axis=0, keepdims=True) @ normal,
            middles[tops[:CANDIDATES]] @ normal,
            world.positions[trunk[:CANDIDATES]] @ normal,
        )
    )
    step = 1e-4 * world.height
    kept = [float(values[0])]
    for value in (0.0, *values):
        near = abs(value - kept[0]) < TRUNK_SHARE * world.height
        if near and all(abs(value - each) > step for each in kept):
            kept.append(float(value))
    return kept


def _faults(
    world: RestWorld,
    parents: Indices,
    partner: Indices,
    left: Indices,
    trunk: Indices,
    normal: Array,
    distance: float,
) -> tuple[int, float]:
    """Return how many pairs and trunk joints are at fault by themselves, and how unlikely the plane is else.

    Faults beyond the limits count twice, smaller ones once. A plane is unlikely where the root is at fault,
    where few joints are in place, and away from the origin.
    """
    small = FINE * PLACE_TOLERANCE * world.height
    fine_turn = FINE * np.deg2rad(TURN_TOLERANCE_DEG)
    planes = trunk_planes(world, parents, trunk, normal, distance, small)
    pairs = deviations(world, parents, partner, left, planes, normal, distance, small, fine_turn)
    sizes = (
        np.linalg.norm(pairs.place_own, axis=1) / small,
        np.linalg.norm(pairs.turn_own, axis=1) / fine_turn,
        np.abs(planes.own) / small,
    )
    faults = sum(int(np.sum(size > 1.0) + np.sum(size > 1.0 / FINE)) for size in sizes)
    root = bool(len(trunk)) and abs(planes.own[0]) > small
    away = np.concatenate((np.abs(planes.whole), np.linalg.norm(pairs.place, axis=1)))
    centre = abs(distance) > small
    return faults, ROOT_OFF * root + float(np.mean(away > small)) + ORIGIN_OFF * centre
