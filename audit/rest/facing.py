"""Up and forward: taken as given, else found from the body, and how they were found."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.errors import UsageError
from audit.model import Skeleton
from audit.model.names import name_words
from audit.rest.pairs import Pairs
from audit.rest.world import RestWorld

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

FOOT_WORDS = frozenset(
    ["foot", "feet", "ankle", "heel", "toe", "toes", "ball", "hoof", "paw", "sole"]
)
"""Common practice, no source: what these words name is at the bottom of a body."""

TOE_WORDS = frozenset(["toe", "toes", "ball"])
"""And these point forward."""

LEVEL = 0.02
"""Share of the extent within which ends count as standing on one level."""

MOST_FEET = 4
"""More ends than this on one level make it no likelier that a body stands there."""

FROM_FEET = "found: the feet are below the trunk"


def direction(text_or_vector: str | npt.ArrayLike) -> Array:
    """Return the unit vector (3,) of a direction as people give it.

    Parameters
    ----------
    text_or_vector
        A letter with or without sign ("Y", "+Z", "-x"), or three numbers that are not all 0.

    Raises
    ------
    UsageError
        Where it is neither.
    """
    hint = "Give an axis such as Y, +Z or -X"
    if isinstance(text_or_vector, str):
        found = re.fullmatch(r"([+\-−]?)([XYZ])", text_or_vector.strip().upper())
        if found is None:
            raise UsageError(f"{text_or_vector!r} is not a direction", hint=hint)
        unit = np.eye(3)[AXES.index(found[2])]
        return np.asarray(-unit if found[1] in ("-", "−") else unit)
    vector = np.array(text_or_vector, dtype=np.float64)
    length = float(np.linalg.norm(vector)) if vector.shape == (3,) else 0.0
    if not (np.isfinite(length) and length > 0.0):
        raise UsageError("a direction is three numbers that are not all 0", hint=hint)
    return np.asarray(vector / length)


def nearest_world_axis(vector: Array) -> Array:
    """Return the half-axis of the world (3,) that lies nearest to a direction (3,)."""
    axis = int(np.argmax(np.abs(vector)))
    return np.asarray(np.eye(3)[axis] * (1.0 if vector[axis] >= 0.0 else -1.0))


def joints_named(skeleton: Skeleton, words: frozenset[str]) -> Indices:
    """Return the joints whose name holds one of some words, a side letter in front of it or not."""
    result = []
    for joint, name in enumerate(skeleton.names):
        own = set(name_words(name))
        own |= {word[1:] for word in own if word[0] in "lr"}
        if own & words:
            result.append(joint)
    return np.array(result, dtype=np.int64)


def feet_of(skeleton: Skeleton, pairs: Pairs) -> Indices:
    """Return the joints that are feet by their names; where some of them are paired, only those."""
    feet = joints_named(skeleton, FOOT_WORDS)
    paired = feet[pairs.partner[feet] >= 0]
    return paired if len(paired) else feet


def find_up(skeleton: Skeleton, world: RestWorld, pairs: Pairs) -> tuple[Array, str]:
    """Return the up axis (3,), a half-axis of the world, and how it was found.

    Feet, where the names tell of any, are below the joint of the trunk that their limb hangs on. Else up is
    where most ends of limbs stand on one level on the other side, best at the origin, and where the body is
    long. Else it is assumed.
    """
    if world.height <= 0.0:
        return np.eye(3)[1], "assumed"
    feet = feet_of(skeleton, pairs)
    trunk = pairs.side == 0
    tops = attached(skeleton.parents, trunk, feet)
    if len(feet):
        legs = np.mean(world.positions[tops] - world.positions[feet], axis=0)
        if pairs.has_plane:
            legs = legs - pairs.normal * (legs @ pairs.normal)
        if np.linalg.norm(legs) > LEVEL * world.height:
            return nearest_world_axis(legs), FROM_FEET
    ends = _ends(skeleton, world)
    best, chosen = 0.0, None
    for axis in (np.eye(3)[1], np.eye(3)[2], np.eye(3)[0], -np.eye(3)[1], -np.eye(3)[2]):
        if pairs.has_plane and abs(axis @ pairs.normal) > 0.7:
            continue
        levels = ends @ axis
        low = float(np.min(levels, initial=np.inf))
        extent = float(np.ptp(levels, axis=0)) if len(levels) else 0.0
        standing = int(np.sum(levels <= low + LEVEL * extent))
        on_floor = abs(low) < LEVEL * world.height
        score = float(on_floor) + min(standing, MOST_FEET) / MOST_FEET + extent / world.height
        if standing > 1 and extent > 0.0 and score > best + 1e-9:
            best, chosen = score, axis
    if chosen is not None:
        return chosen, "found: most ends stand on one level"
    return np.eye(3)[1], "assumed"


def find_facing(
    skeleton: Skeleton, world: RestWorld, pairs: Pairs, up: Array
) -> tuple[Array, str, bool]:
    """Return the direction (3,) that a body faces, how it was found, and whether its sign is known.

    It is at right angles to the up axis and lies in the mirror plane. The sign comes from the names of left and
    right, else from the toes. NaN where there is no mirror plane.
    """
    if not pairs.has_plane:
        return np.full(3, np.nan), "not found", False
    forward = np.cross(pairs.normal, up)
    length = float(np.linalg.norm(forward))
    if length < 0.1:
        return np.full(3, np.nan), "not found", False
    forward = forward / length
    if np.any((pairs.mark != 0) & (pairs.partner >= 0)):
        return forward, "found: from the left and right that the names state", True
    toes = joints_named(skeleton, TOE_WORDS)
    toes = toes[skeleton.parents[toes] >= 0]
    if len(toes):
        ahead = np.mean(world.positions[toes] - world.positions[skeleton.parents[toes]], axis=0)
        if abs(ahead @ forward) > 1e-3 * world.height:
            return forward * np.sign(ahead @ forward), "found: the way the toes point", True
    half_axis = nearest_world_axis(forward)
    sign = 1.0 if np.sum(half_axis) > 0.0 else -1.0
    return forward * sign, "found: along the mirror plane, one of two ways", False


def attached(parents: Indices, trunk: npt.NDArray[np.bool_], joints: Indices) -> Indices:
    """Return for each joint the nearest joint above it that is in the trunk, or the root."""
    tops = joints.copy()
    for row, joint in enumerate(joints):
        while parents[tops[row]] >= 0 and (tops[row] == joint or not trunk[tops[row]]):
            tops[row] = parents[tops[row]]
    return tops


def _ends(skeleton: Skeleton, world: RestWorld) -> Array:
    """Return the places (N, 3) where limbs end: end points, and joints with nothing below them."""
    leaf = np.ones(len(skeleton), dtype=bool)
    leaf[skeleton.parents[skeleton.parents >= 0]] = False
    leaf[skeleton.tip_joints] = False
    return np.concatenate((world.positions[leaf], world.tips))
