"""By how much the axes of each joint are turned between two shots, split about the limb."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from audit.compare.matching import Matching
from audit.model import Shot, Skeleton
from audit.model.kinematics import world_rest
from audit.rotations import conjugate, mean_quaternion, multiply, rotate

Array = npt.NDArray[np.float64]
Told = Literal["rest", "motion"]

CONSTANT_DEG = 0.05
"""A turn between two shots that changes by no more over time counts as constant: a turn of the axes. Numbers
written with three decimals leave less than that (our choice)."""

SAME_OFFSET = 2e-3
"""How far, as a share of its length, a child may be from where turned axes would put it (our choice)."""

MOVES_DEG = 1.0
"""A joint that turns less in its shot cannot tell turned axes from another pose; where there are rest frames,
these are asked then."""

IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class AxesChange:
    """The turn A of the axes of N matched joints, with ``W_after = W_before · A``.

    Attributes
    ----------
    turn_xyzw : (N, 4)
        A, in the axes that the joint has before.
    told_by
        Whether the ``rest`` frames say so or the ``motion``; None where neither does, and A is a guess.
    twist_deg, swing_deg, total_deg : (N,)
        Turn about the limb, right-handed; turn of the axes off the limb; both together. NaN where A is a guess;
        the first two also where the joint has no limb axis.
    own_deviation_deg : (N,)
        By how much the joint's turn against its parent differs from the same turn in other axes, at the worst
        of the instants. Joints above it have no part in that.
    rest_moved_deg : (N,)
        By how much the rest frame differs from the one before in turned axes: more than nothing where the rest
        pose changed, NaN where a format has no rest rotations.
    """

    turn_xyzw: Array
    told_by: tuple[Told | None, ...]
    twist_deg: Array
    swing_deg: Array
    total_deg: Array
    own_deviation_deg: Array
    rest_moved_deg: Array


class Side(NamedTuple):
    """One of the two shots, at the instants that are compared.

    Attributes
    ----------
    shot
        The shot.
    world : (4, J, T)
        World rotations of its joints.
    rest : (4, J)
        World rotations of the rest frames.
    """

    shot: Shot
    world: Array
    rest: Array


def side_of(shot: Shot, world: Array) -> Side:
    """Return a shot with its rest frames and the world rotations (4, J, T) that were worked out for it."""
    return Side(shot, world, world_rest(shot.skeleton))


def axes_change(before: Side, after: Side, matching: Matching, scale: float) -> AxesChange:
    """Return by how much the axes of the matched joints are turned.

    Parameters
    ----------
    before, after
        The shots at the same instants.
    matching
        Which joint is which.
    scale
        How many times as large the second rig is.

    Notes
    -----
    Parents first. With A_p the turn of the nearest matched joint above, and R the rotation against that joint,
    ``A(t) = R(t)⁻¹ · A_p · R'(t)`` is constant where the joint moves as before in turned axes. So:

    1. Where there are rest rotations and the same product of the rest frames gives A(t) at all instants, or
       says that nothing was turned and the child joints agree, that is A.
    2. Else, where A(t) is constant and puts the child joints where they are, its mean is A: the rest pose
       changed, or there is none. Where there are rest rotations the joint must move by 1° at least, since a
       pose that is held otherwise looks the same.
    3. Else the joint moves otherwise than before. The rest frames give A where there are any; without them
       nobody can tell, and A is taken for none, or for A at the first instant where none does not fit the
       children.

    Two rigs whose rest rotations are all none count as rigs without.
    """
    count = len(matching)
    turns = np.tile(IDENTITY, (count, 1))
    told: list[Told | None] = [None] * count
    deviation, moved = np.zeros(count), np.full(count, np.nan)
    ancestors = _common_ancestors(before.shot.skeleton, after.shot.skeleton, matching)
    has_rest = _say_something_at_rest(before.shot, after.shot)
    for row in range(count):
        above = ancestors[row]
        turn_above = IDENTITY if above < 0 else turns[above]
        own = _against(before, matching.before, row, above)
        its = _against(after, matching.after, row, above)
        over_time = _between(own.world, turn_above, its.world)
        at_rest = _between(own.rest, turn_above, its.rest)
        mean = mean_quaternion(over_time, np.ones(over_time.shape[-1]))
        fits = _OffsetsFit(before.shot.skeleton, after.shot.skeleton, matching, row, scale)
        moves = _largest_angle(_between(own.world[:, :1], IDENTITY, own.world)) >= MOVES_DEG
        stays = _apart(at_rest[:, None], IDENTITY) <= CONSTANT_DEG and fits(IDENTITY)
        if has_rest and (stays or _apart(over_time, at_rest) <= CONSTANT_DEG):
            turns[row], told[row] = at_rest, "rest"
        elif (moves or not has_rest) and _apart(over_time, mean) <= CONSTANT_DEG and fits(mean):
            turns[row], told[row] = mean, "motion"
        elif has_rest:
            turns[row], told[row] = at_rest, "rest"
        elif not fits(IDENTITY):
            turns[row] = over_time[:, 0]
        deviation[row] = _apart(over_time, turns[row])
        if has_rest:
            moved[row] = _apart(at_rest[:, None], turns[row])
    limbs = before.shot.skeleton.limb_axes[matching.before].T
    twist, swing, total = twist_and_swing(turns.T, limbs)
    guessed = np.array([each is None for each in told], dtype=bool)
    for angles in (twist, swing, total):
        angles[guessed] = np.nan
    return AxesChange(turns, tuple(told), twist, swing, total, deviation, moved)


def _say_something_at_rest(before: Shot, after: Shot) -> bool:
    """Tell whether both formats have rest rotations and any joint makes use of them."""
    if not (before.has_rest_rotations and after.has_rest_rotations):
        return False
    return any(np.any(shot.skeleton.rest_xyzw[:, :3] != 0.0) for shot in (before, after))


def twist_and_swing(turns: Array, limbs: Array) -> tuple[Array, Array, Array]:
    """Return the turn about the limb, the turn off it, and the angle of the whole, in degrees.

    Parameters
    ----------
    turns : (4, N)
        Unit quaternions in the joints' axes.
    limbs : (3, N)
        Unit vectors in the same axes, NaN for a joint without a limb axis.

    Returns
    -------
    twist : (N,)
        Within ±180°, right-handed about the limb. NaN without a limb axis, and where the limb is swung by 180°
        so that any twist would do.
    swing : (N,)
        0 to 180: the angle between the direction of the limb in the old axes and the same direction in the new.
    total : (N,)
        0 to 180: angle of the whole turn.

    Notes
    -----
    The swing-twist decomposition, ``q = swing · twist`` with the twist the part of q about the limb, as in
    P. Dobrowolski, "Swing-twist decomposition in Clifford algebra", arXiv:1506.05481, 2015. The product the
    other way round has the same two angles.
    """
    x, y, z, w = turns
    along = np.sum(turns[:3] * limbs, axis=0)
    across = np.sqrt(np.sum((turns[:3] - along * limbs) ** 2, axis=0))
    held = np.hypot(along, w)
    twist = np.rad2deg(2.0 * np.arctan2(np.where(w < 0.0, -along, along), np.abs(w)))
    swing = np.rad2deg(2.0 * np.arctan2(across, held))
    total = np.rad2deg(2.0 * np.arctan2(np.sqrt(x * x + y * y + z * z), np.abs(w)))
    return np.where(held < 1e-9, np.nan, twist), swing, total


class _Against(NamedTuple):
    """Rotations of a joint against one above it: over time (4, T) and at rest (4,)."""

    world: Array
    rest: Array


def _against(side: Side, places: npt.NDArray[np.int64], row: int, above: int) -> _Against:
    joint = places[row]
    if above < 0:
        return _Against(side.world[:, joint], side.rest[:, joint])
    parent = places[above]
    return _Against(
        multiply(conjugate(side.world[:, parent]), side.world[:, joint]),
        multiply(conjugate(side.rest[:, parent]), side.rest[:, joint]),
    )


def _between(own: Array, turn_above: Array, its: Array) -> Array:
    """Return ``own⁻¹ · turn_above · its``."""
    turn = turn_above.reshape(4, *(1,) * (its.ndim - 1))
    return multiply(multiply(conjugate(own), turn), its)


def _largest_angle(turns: Array) -> float:
    """Return the largest angle of rotations (4, T) in degrees."""
    sine = np.sqrt(np.sum(turns[:3] ** 2, axis=0))
    return float(np.rad2deg(np.max(2.0 * np.arctan2(sine, np.abs(turns[3])))))


def _apart(turns: Array, one: Array) -> float:
    """Return how far rotations (4, T) are from one (4,) at most, in degrees."""
    return _largest_angle(multiply(conjugate(one)[:, None], turns))


def _common_ancestors(before: Skeleton, after: Skeleton, matching: Matching) -> list[int]:
    """Return for each match the row of the nearest match above it in both skeletons, −1 where none is."""
    row_of = {int(place): row for row, place in enumerate(matching.before)}
    result = []
    for joint, other in zip(matching.before, matching.after, strict=True):
        above_after = set()
        place = int(after.parents[other])
        while place >= 0:
            above_after.add(place)
            place = int(after.parents[place])
        place, found = int(before.parents[joint]), -1
        while place >= 0 and found < 0:
            row = row_of.get(place, -1)
            if row >= 0 and int(matching.after[row]) in above_after:
                found = row
            place = int(before.parents[place])
        result.append(found)
    return result


class _OffsetsFit:
    """Tells whether turned axes put children and end points of a joint where the second skeleton has them."""

    def __init__(
        self, before: Skeleton, after: Skeleton, matching: Matching, row: int, scale: float
    ) -> None:
        joint, other = int(matching.before[row]), int(matching.after[row])
        hangs = (before.parents[matching.before] == joint) & (
            after.parents[matching.after] == other
        )
        own = [before.offsets[matching.before[hangs]] * scale]
        its = [after.offsets[matching.after[hangs]]]
        tips = [
            skeleton.tip_offsets[skeleton.tip_joints == place]
            for skeleton, place in ((before, joint), (after, other))
        ]
        if len(tips[0]) == len(tips[1]):
            own.append(tips[0] * scale)
            its.append(tips[1])
        self._own, self._its = np.concatenate(own).T, np.concatenate(its).T

    def __call__(self, turn: Array) -> bool:
        if not self._own.size:
            return True
        wanted = rotate(conjugate(turn)[:, None], self._own)
        apart = np.linalg.norm(wanted - self._its, axis=0)
        lengths = np.linalg.norm(self._own, axis=0)
        return bool(np.all(apart <= SAME_OFFSET * lengths + 1e-9))
