"""Measure a rest pose: the one place where its parts come together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.measures import Measures
from audit.model import Skeleton, Skin
from audit.rest.bends import Bends, bends_of
from audit.rest.facing import (
    FROM_FEET,
    attached,
    direction,
    feet_of,
    find_facing,
    find_up,
    nearest_world_axis,
)
from audit.rest.limbs import Limbs, limbs_of
from audit.rest.mirror import Deviations, deviations, turn_vectors
from audit.rest.pairs import Pairs, find_pairs
from audit.rest.sections import Sections, sections_of
from audit.rest.trunk import (
    SMALL_PLACE,
    SMALL_TURN_DEG,
    Trunk,
    displaced_joints,
    planes_of,
    trunk_of,
)
from audit.rest.world import RestWorld, rest_world

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

UNITS: tuple[tuple[str, float], ...] = (
    ("metre", 1.0),
    ("centimetre", 0.01),
    ("millimetre", 0.001),
    ("inch", 0.0254),
    ("foot", 0.3048),
)
"""Units of length that a rig may be made in, with their metres."""

PERSON_M = 1.4, 2.1
"""Heights between which an adult is plausible. National means of adults run from 1.403 m (women in Guatemala
born in 1896) to over 1.825 m (men in the Netherlands): NCD-RisC, eLife 5, 2016, e13410. The margins are our
choice."""

HEAD_JOINT_SHARE = 0.85
"""Share of the height at which the highest joint of a person can be, where neither an end point nor a skin
shows the top of the head. Common practice, no source: the pivot of the head is just below the ear."""

UPRIGHT = 0.8
"""Cosine of the largest lean of an upright trunk."""


@dataclass(frozen=True, eq=False)
class RestMeasures:
    """Everything that is measured on the rest pose of J joints. Lengths are in the file's unit.

    Attributes
    ----------
    world
        Where everything is.
    pairs
        Mirror pairs and mirror plane.
    limbs, trunk, bends, sections
        See their classes.
    mirror
        How far the pairs are from mirrored; None where there is no plane or no pair.
    up : (3,), up_from, up_sure
        The up axis, how it is known, and whether that is more than a guess.
    facing : (3,), facing_from, facing_sure
        The direction that the body really faces, NaN where it has no mirror plane; how it was found, and
        whether its sign is known.
    forward : (3,), forward_from
        The direction that it should face: as given, else the half-axis of the world nearest to ``facing``.
    shots_forward : (3,)
        The direction that shots of the rig face at their start, None where nobody said.
    height, low
        Extent along the up axis, end points and skin included; level of the lowest point.
    seen_share
        The share of the body's height that is at least seen: less than 1 where the highest point is a joint.
    lowest
        What the lowest point is: the place of a joint, or −1 for a point of the skin.
    unit_to_m, unit_from
        Metres of one unit, NaN where not known; ``given``, ``guessed`` or ``unknown``.
    upright
        Whether the trunk stands upright on legs.
    has_axes
        Whether the rest rotations say anything: not where all joints but the roots are at zero.
    root_turn : (J, 3)
        Rotation vector in degrees from the nearest quarter turn to the rest rotation of a root; 0 where its
        axes follow its own limb, NaN for all other joints.
    """

    world: RestWorld
    pairs: Pairs
    limbs: Limbs
    trunk: Trunk
    bends: Bends
    sections: Sections
    mirror: Deviations | None
    up: Array
    up_from: str
    up_sure: bool
    facing: Array
    facing_from: str
    facing_sure: bool
    forward: Array
    forward_from: str
    shots_forward: Array | None
    height: float
    low: float
    seen_share: float
    lowest: int
    unit_to_m: float
    unit_from: str
    upright: bool
    has_axes: bool
    root_turn: Array

    def __post_init__(self) -> None:
        parts = (self, self.world, self.limbs, self.trunk, self.bends, self.sections, self.mirror)
        for part in parts:
            for value in vars(part).values() if part is not None else ():
                if isinstance(value, np.ndarray):
                    value.setflags(write=False)


def measure_rest(
    skeleton: Skeleton,
    skins: Sequence[Skin] = (),
    *,
    facing: str | npt.ArrayLike | None = None,
    up: str | npt.ArrayLike | None = None,
    unit_to_m: float | None = None,
    plane: tuple[Array, float] | None = None,
    motion: Measures | None = None,
    shots_facing: str | npt.ArrayLike | None = None,
) -> RestMeasures:
    """Measure the rest pose of a skeleton.

    Parameters
    ----------
    skeleton
        The joints.
    skins
        Skins that they carry, in the same rest axes.
    facing, up
        Direction that the character should face, and the up axis: a letter with a sign, or three numbers. None
        where the file does not state them; they are then found.
    unit_to_m
        Metres of one unit of length; None where the file does not state it.
    plane
        Normal (3,) and distance of the mirror plane; None to find it.
    motion
        Measures of a shot of this skeleton: they say which way a hinge works.
    shots_facing
        Direction that shots of the rig face.

    Raises
    ------
    UsageError
        Where a direction is none.
    ShapeError
        Where the plane's normal is none.
    """
    world, parents = rest_world(skeleton), skeleton.parents
    pairs = find_pairs(skeleton, plane)
    planes = planes_of(world, parents, pairs) if pairs.has_plane else None
    mirror = None
    if planes is not None and len(pairs.left):
        mirror = deviations(
            world,
            parents,
            pairs.partner,
            pairs.left,
            planes,
            pairs.normal,
            pairs.distance,
            SMALL_PLACE * world.height,
            np.deg2rad(SMALL_TURN_DEG),
        )
    displaced = displaced_joints(parents, planes, mirror)
    limbs = limbs_of(skeleton, world, pairs, mirror, displaced)
    if up is None:
        up_axis, up_from = find_up(skeleton, world, pairs)
    else:
        up_axis, up_from = direction(up), "given"
    faces, faces_from, sure = find_facing(skeleton, world, pairs, up_axis)
    forward, forward_from = nearest_world_axis(faces), "the nearest axis of the world"
    if facing is not None:
        forward, forward_from = direction(facing), "given"
        if not sure and not np.isnan(faces[0]):
            faces, sure = faces * (1.0 if faces @ forward >= 0.0 else -1.0), True
    elif np.isnan(faces[0]):
        forward, forward_from = faces.copy(), "not found"
    sections = sections_of(skeleton, world, limbs, pairs, skins)
    levels = np.concatenate((world.positions, world.tips, sections.points)) @ up_axis
    holders = (np.arange(len(skeleton)), skeleton.tip_joints, np.full(len(sections.points), -1))
    height = float(np.ptp(levels))
    upright = _upright(skeleton, world, pairs, up_axis)
    seen = 1.0 if np.argmax(levels) >= len(skeleton) else HEAD_JOINT_SHARE
    unit, unit_from = _unit(unit_to_m, height, upright, seen)
    bends = bends_of(skeleton, world, limbs, pairs, faces if sure else None, motion)
    turned = np.abs(np.abs(skeleton.rest_xyzw[:, 3]) - 1.0) > 1e-12
    return RestMeasures(
        world=world,
        pairs=pairs,
        limbs=limbs,
        trunk=trunk_of(world, parents, pairs, planes, limbs.limb),
        bends=bends,
        sections=sections,
        mirror=mirror,
        up=up_axis,
        up_from=up_from,
        up_sure=up_from in ("given", FROM_FEET),
        facing=faces,
        facing_from=faces_from,
        facing_sure=sure,
        forward=forward,
        forward_from=forward_from,
        shots_forward=None if shots_facing is None else direction(shots_facing),
        height=height,
        low=float(np.min(levels)),
        seen_share=seen,
        lowest=int(np.concatenate(holders)[np.argmin(levels)]),
        unit_to_m=unit,
        unit_from=unit_from,
        upright=upright,
        has_axes=bool(np.any(turned & (parents >= 0))),
        root_turn=_root_turn(parents, world, limbs),
    )


def _upright(skeleton: Skeleton, world: RestWorld, pairs: Pairs, up: Array) -> bool:
    """Return whether a rig has feet and a trunk that rises from where its legs begin."""
    feet = feet_of(skeleton, pairs)
    if not len(feet):
        return False
    root = np.arange(len(skeleton))
    for joint, parent in enumerate(skeleton.parents):
        root[joint] = root[parent] if parent >= 0 else joint
    middle = (pairs.side == 0) & (root == root[feet[0]])
    begin = np.mean(world.positions[attached(skeleton.parents, middle, feet)], axis=0)
    trunk = world.positions[middle]
    rise = trunk[np.argmax(trunk @ up)] - begin
    length = float(np.linalg.norm(rise))
    return length > 0.0 and float(rise @ up) > UPRIGHT * length


def _unit(given: float | None, height: float, upright: bool, least: float) -> tuple[float, str]:
    """Return the metres of a unit, and how they are known: an upright body is taken for a person.

    ``least``: the share of the height that is at least seen.
    """
    if given is not None:
        return float(given), "given"
    low, high = PERSON_M
    for _, metres in UNITS if upright else ():
        if least * low <= height * metres <= high:
            return metres, "guessed"
    return float("nan"), "unknown"


def _root_turn(parents: Indices, world: RestWorld, limbs: Limbs) -> Array:
    """Return what is left of the roots' rotations after the nearest quarter turn (J, 3), in degrees.

    A root whose axes lie along its own limb, which runs along no axis of the world, is turned on purpose.
    """
    result = np.full((len(parents), 3), np.nan)
    roots = np.flatnonzero(parents < 0)
    axes = world.axes[roots]
    result[roots] = np.rad2deg(turn_vectors(quarter_turns(axes).swapaxes(1, 2) @ axes))
    for root in roots:
        along = limbs.aim_limb[root]
        slant = np.rad2deg(np.arccos(np.clip(np.max(np.abs(along)), 0.0, 1.0)))
        if limbs.aim_deg[root] < 0.05 and slant > 0.5:
            result[root] = 0.0
    return result


def quarter_turns(matrices: Array) -> Array:
    """Return the nearest rotations (N, 3, 3) that take axes to axes."""
    best = np.full(len(matrices), -np.inf)
    result = np.zeros_like(matrices)
    for turn in _QUARTER_TURNS:
        fit = np.einsum("nij,ij->n", matrices, turn)
        better = fit > best + 1e-9
        best, result[better] = np.where(better, fit, best), turn
    return result


def _all_quarter_turns() -> Array:
    turns = []
    for first in range(3):
        for second in range(3):
            for signs in range(4):
                if first == second:
                    continue
                turn = np.zeros((3, 3))
                turn[first, 0] = 1.0 - 2.0 * (signs & 1)
                turn[second, 1] = 1.0 - (signs & 2)
                turn[:, 2] = np.cross(turn[:, 0], turn[:, 1])
                turns.append(turn)
    return np.array(turns)


_QUARTER_TURNS = _all_quarter_turns()
