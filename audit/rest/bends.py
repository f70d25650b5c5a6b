"""Knees, elbows and their like at rest: how far they are bent, which way, and whether an axis fits the bend."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from audit.measures import Measures
from audit.model import Skeleton
from audit.model.names import name_words
from audit.rest.limbs import SHORT, Limbs
from audit.rest.pairs import Pairs
from audit.rest.trunk import twist_between
from audit.rest.world import RestWorld

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

BACKWARD = frozenset(
    ["knee", "shin", "shank", "calf", "tibia", "lowerleg", "leglower", "stifle", "carpus"]
)
"""Common practice, no source: what is below these joints swings backward when they bend."""

FORWARD = frozenset(
    ["elbow", "forearm", "lowerarm", "armlower", "radius", "ulna", "hock", "gaskin"]
)
"""And what is beyond these swings forward."""

ENOUGH_RANGE_DEG = 5.0
"""A joint that turns less says nothing about which way it bends: as for the offsets."""

SEEN_BEND_DEG = 0.25
"""A smaller bend has no plane."""

LEAST_BEND_DEG = 0.5
"""From here on a bend has a plane, and can be told from a straight limb."""

CLEAR = 0.5
"""Share of a bend that must go forward or backward before names can tell whether that is the right way."""

BIG_BEND_DEG = 30.0
"""Limbs that zigzag by more, as the legs of animals do, are bent by nature."""


@dataclass(frozen=True, eq=False)
class Bends:
    """The rest bends of J joints.

    Attributes
    ----------
    named : (J,)
        −1 and +1 for joints whose name says that what is beyond them swings backward and forward; else 0.
        Along a chain the first of a kind counts.
    bend_deg : (J,)
        Angle between the limb above and the limb below, at joints with one of each; else NaN.
    normal : (J, 3)
        Unit vector at right angles to both limbs, so that a right-handed turn about it bends the joint
        further; NaN where it is straight.
    sideways_deg : (J,)
        The part of the bend that is not about the axis that carries it: what is seen along the bend's plane.
    right_way : (J,)
        +1 where the bend goes the way it should, −1 where it goes against it, 0 where nobody knows.
    way_from
        Who says so: ``the motion``, ``its name``, or None.
    plane_deg : (J,)
        Turn about the limb below, right-handed, that takes the nearest principal axis to the bend's normal;
        NaN where there is no bend to speak of.
    plane_axis : (J, 3)
        That half-axis in the joint's own axes.
    natural : (J,)
        Joints of limbs that zigzag: their bend may be any.
    """

    named: Indices
    bend_deg: Array
    normal: Array
    sideways_deg: Array
    right_way: Indices
    way_from: tuple[str | None, ...]
    plane_deg: Array
    plane_axis: Array
    natural: Flags


def named_bends(skeleton: Skeleton, limbs: Limbs) -> Indices:
    """Return which way (J,) the names say that joints bend: −1 backward, +1 forward, 0 for no word."""
    ways = np.zeros(len(skeleton), dtype=np.int64)
    seen: dict[tuple[int, int], int] = {}
    for joint, name in enumerate(skeleton.names):
        words = name_words(name)
        every = set(words) | {a + b for a, b in pairwise(words)}
        every |= {word[1:] for word in words if word[0] in "lr"}
        way = (1 if every & FORWARD else 0) - (1 if every & BACKWARD else 0)
        parent = skeleton.parents[joint]
        if way == 0 or parent < 0 or limbs.child[joint] < 0:
            continue
        if seen.setdefault((int(limbs.chain[joint]), way), joint) == joint:
            ways[joint] = way
    return ways


def bends_of(
    skeleton: Skeleton,
    world: RestWorld,
    limbs: Limbs,
    pairs: Pairs,
    facing: Array | None,
    motion: Measures | None = None,
) -> Bends:
    """Return the bends of a rest pose.

    Parameters
    ----------
    skeleton, world, limbs, pairs
        The rest pose.
    facing : (3,)
        The direction that the body faces; None where it is not known for sure.
    motion
        Measures of a shot of the same skeleton, where there is one.
    """
    named = named_bends(skeleton, limbs)
    above, below = _limbs_about(skeleton, world, limbs)
    cross = np.cross(above, below)
    sine = np.linalg.norm(cross, axis=1)
    cosine = np.sum(above * below, axis=1)
    bend = np.rad2deg(np.arctan2(sine, cosine))
    bent = (bend > SEEN_BEND_DEG) & (sine > 1e-9)  # a limb that folds back has no plane either
    normal = np.where(bent[:, None], cross / np.where(bent, sine, 1.0)[:, None], np.nan)

    along = np.einsum("jba,jb->ja", world.axes, normal)
    lengthwise = np.abs(np.einsum("jba,jb->ja", world.axes, below))
    lengthwise = np.nan_to_num(lengthwise)
    cross_axes = np.arange(3)[None] != np.argmax(lengthwise, axis=1)[:, None]
    column = np.argmax(np.where(cross_axes, np.abs(np.nan_to_num(along)), -1.0), axis=1)
    rows = np.arange(len(skeleton))
    sign = np.where(along[rows, column] < 0.0, -1.0, 1.0)
    half_axis = np.eye(3)[column] * sign[:, None]
    in_world = world.axes[rows, :, column] * sign[:, None]
    plane = twist_between(in_world, normal, below)
    sideways = bend * np.abs(np.sin(np.deg2rad(plane)))

    right_way, way_from = _right_way(world, above, below, bend, named, facing, motion)
    big = bend > BIG_BEND_DEG
    natural = np.zeros(len(skeleton), dtype=bool)
    parents = skeleton.parents
    for joint in np.flatnonzero(big & (parents >= 0)):
        parent = parents[joint]
        if big[parent] and np.dot(normal[joint], normal[parent]) < 0.0:
            natural[[joint, parent]] = True
    return Bends(named, bend, normal, sideways, right_way, way_from, plane, half_axis, natural)


def _limbs_about(skeleton: Skeleton, world: RestWorld, limbs: Limbs) -> tuple[Array, Array]:
    """Return unit vectors (J, 3) along the limb above and the limb below each joint; NaN where there is none.

    The limb above begins at the nearest joint above that is in another place. A joint off which several limbs
    branch has no bend.
    """
    above = np.full((len(skeleton), 3), np.nan)
    short = SHORT * max(world.height, 1e-300)
    for joint, parent in enumerate(skeleton.parents):
        start = parent
        while start >= 0:
            vector = world.positions[joint] - world.positions[start]
            length = float(np.linalg.norm(vector))
            if length > short:
                above[joint] = vector / length
                break
            start = skeleton.parents[start]
    below = np.where((limbs.branching | (limbs.child < 0))[:, None], np.nan, limbs.limb)
    return above, below


def _right_way(
    world: RestWorld,
    above: Array,
    below: Array,
    bend: Array,
    named: Indices,
    facing: Array | None,
    motion: Measures | None,
) -> tuple[Indices, tuple[str | None, ...]]:
    out = below - above * np.sum(below * above, axis=1)[:, None]
    length = np.linalg.norm(out, axis=1)
    out = out / np.where(length > 1e-12, length, 1.0)[:, None]
    ways = np.zeros(len(bend), dtype=np.int64)
    sources: list[str | None] = [None] * len(bend)
    if facing is not None:
        ahead = out @ facing
        clear = (named != 0) & (np.abs(ahead) > CLEAR) & (bend > SEEN_BEND_DEG)
        ways = np.where(clear, np.sign(np.nan_to_num(ahead)).astype(np.int64) * named, ways)
        sources = ["its name" if each else None for each in clear]
    if motion is not None:
        # The hinge axis points so that the larger turn away from rest is positive.
        axis = np.einsum("jab,jb->ja", world.axes, motion.hinge_axis)
        swing = np.sum(np.cross(axis, below) * out, axis=1)
        asked = np.array([kind == "hinge" for kind in motion.kind])
        asked &= (motion.range_deg > ENOUGH_RANGE_DEG) & (np.abs(swing) > CLEAR)
        asked &= bend > SEEN_BEND_DEG
        ways = np.where(asked, np.sign(np.nan_to_num(swing)).astype(np.int64), ways)
        sources = ["the motion" if now else old for now, old in zip(asked, sources, strict=True)]
    return ways, tuple(sources)
