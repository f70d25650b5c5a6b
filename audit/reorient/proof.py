"""The proof that two shots show the same motion: both are played, and the largest differences are kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.errors import UsageError
from audit.model import Shot, Skin
from audit.model.kinematics import World, rest_height, world_transforms
from audit.model.poses import Player
from audit.reorient.turning import IDENTITY
from audit.rotations import conjugate, matrix_from_quaternion, multiply, rotate

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

INSTANTS_AT_A_TIME = 2048
"""Instants that are played together: the arrays of a joint then fit the processor's cache."""

SAME_INSTANT_S = 1e-6
"""Keys of two shots that are nearer than this are compared at one time."""


@dataclass(frozen=True, eq=False)
class Deviation:
    """The largest differences between two shots.

    Attributes
    ----------
    times
        How many instants were compared: all keys of both, and half-way between.
    height
        Largest extent of the first rig's rest pose, in its unit of length.
    position, position_joint, position_time_s
        Largest distance between a joint, or one of its tips, in the two; which joint (place in the first), and
        when.
    rotation_deg, rotation_joint, rotation_time_s
        Largest angle between the world rotations once the turn of the axes is taken out.
    joint_positions, joint_rotations_deg : (N,)
        The same for each joint that was compared.
    reach, stretch : (N,)
        Largest difference of the joint's world transform at a distance of one, rotation and scale together, and
        its largest stretch; see :func:`skin_bound`.
    """

    times: int
    height: float
    position: float
    position_joint: int
    position_time_s: float
    rotation_deg: float
    rotation_joint: int
    rotation_time_s: float
    joint_positions: Array
    joint_rotations_deg: Array
    reach: Array
    stretch: Array

    @property
    def share_of_height(self) -> float:
        """The largest distance as a share of the height; the distance itself where a rig has none."""
        return self.position / self.height if self.height > 0.0 else self.position


def deviation(
    before: Shot,
    after: Shot,
    *,
    places: tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
    axes: npt.ArrayLike | None = None,
) -> Deviation:
    """Play two shots and return how far they differ.

    Parameters
    ----------
    before, after
        The shots. They are compared over the time that both cover, at every key of either and half-way between.
    places
        Which joints to compare, (N,) places in each; all in order where None.
    axes : (N, 4)
        Turn A of each compared joint's axes from the first shot to the second, ``W' = W A``; taken from
        ``after.turned`` where None.

    Returns
    -------
    Deviation

    Raises
    ------
    UsageError
        Where the shots have no time in common, or other joints and no places are given.

    Notes
    -----
    Forward kinematics with scale and shear, as glTF and OpenUSD define it. Both start at their own first key.
    """
    first, second = _places(before, after, places)
    turns = _turns(after, second, axes).T
    instants, offset = _instants(before, after)
    tips = _tips(before, after, first, second)
    players = Player(before), Player(after)
    found = _Largest(len(first))
    for start in range(0, len(instants), INSTANTS_AT_A_TIME):
        block = instants[start : start + INSTANTS_AT_A_TIME]
        worlds = [
            world_transforms(shot.skeleton, *player.at(times))
            for shot, player, times in zip(
                (before, after), players, (block, block + offset), strict=True
            )
        ]
        found.add(block, *_differences(worlds[0], worlds[1], first, second, turns, tips))
    joint, when, largest = found.largest(0)
    turned, turned_when, angle = found.largest(1)
    return Deviation(
        times=len(instants),
        height=rest_height(before.skeleton),
        position=largest,
        position_joint=int(first[joint]) if len(first) else -1,
        position_time_s=when,
        rotation_deg=angle,
        rotation_joint=int(first[turned]) if len(first) else -1,
        rotation_time_s=turned_when,
        joint_positions=found.values[0],
        joint_rotations_deg=found.values[1],
        reach=found.values[2],
        stretch=found.values[3],
    )


class _Largest:
    """The largest of some figures for each joint, and when they stood."""

    def __init__(self, joints: int) -> None:
        self.values = np.zeros((4, joints))
        self._times = np.zeros((4, joints))

    def add(self, times_s: Array, *figures: Array) -> None:
        """Take in figures (N, T) at some times."""
        for row, figure in enumerate(figures):
            if not figure.size:
                continue
            places = np.argmax(figure, axis=1)
            here = np.take_along_axis(figure, places[:, None], axis=1)[:, 0]
            # NaN, from numbers beyond measure, has to come out as a difference and not to vanish.
            here = np.where(np.isnan(here), np.inf, here)
            larger = here > self.values[row]
            self.values[row] = np.where(larger, here, self.values[row])
            self._times[row] = np.where(larger, times_s[places], self._times[row])

    def largest(self, row: int) -> tuple[int, float, float]:
        """Return place, time and value of the largest of a figure."""
        if not self.values.shape[1]:
            return -1, 0.0, 0.0
        joint = int(np.argmax(self.values[row]))
        return joint, float(self._times[row, joint]), float(self.values[row, joint])


def _places(
    before: Shot, after: Shot, places: tuple[npt.ArrayLike, npt.ArrayLike] | None
) -> tuple[Indices, Indices]:
    if places is not None:
        return np.asarray(places[0], dtype=np.int64), np.asarray(places[1], dtype=np.int64)
    if before.skeleton.names != after.skeleton.names:
        raise UsageError(
            "the shots have other joints", hint="Say which joints are to be compared with which"
        )
    every = np.arange(len(before.skeleton))
    return every, every


def _turns(after: Shot, places: Indices, axes: npt.ArrayLike | None) -> Array:
    if axes is not None:
        return np.asarray(axes, dtype=np.float64)
    if after.turned is None:
        return np.tile(IDENTITY, (len(places), 1))
    return after.turned[places]


def _instants(before: Shot, after: Shot) -> tuple[Array, float]:
    """Return the times to compare, by the first shot's clock, and what the second's is ahead of it."""
    offset = float(after.times_s[0] - before.times_s[0])
    own, other = before.times_s, after.times_s - offset
    end = min(own[-1], other[-1])
    keys = np.unique(np.concatenate((own, other)))
    keys = keys[keys <= end + SAME_INSTANT_S]
    keys = keys[np.concatenate(([True], np.diff(keys) > SAME_INSTANT_S))]
    between = 0.5 * (keys[1:] + keys[:-1])
    return np.concatenate((keys, between)), offset


def _tips(
    before: Shot, after: Shot, first: Indices, second: Indices
) -> list[tuple[int, Array, Array]]:
    """Return (place among the compared, tip before, tip after) of the tips that both rigs have."""
    tips = []
    for place, (old, new) in enumerate(zip(first, second, strict=True)):
        own = before.skeleton.tip_offsets[before.skeleton.tip_joints == old]
        other = after.skeleton.tip_offsets[after.skeleton.tip_joints == new]
        if len(own) == len(other):
            tips += [(place, *pair) for pair in zip(own, other, strict=True)]
    return tips


def _differences(
    before: World,
    after: World,
    first: Indices,
    second: Indices,
    turns: Array,
    tips: list[tuple[int, Array, Array]],
) -> tuple[Array, Array, Array, Array]:
    """Return distance, angle in degrees, reach and stretch (N, T) of the joints that are compared."""
    apart = after.positions[:, second] - before.positions[:, first]
    distance = np.sqrt(np.sum(apart * apart, axis=0))
    for place, own, other in tips:
        ends = [
            _carried(world, int(joints[place]), tip)
            for world, joints, tip in ((before, first, own), (after, second, other))
        ]
        gap = ends[1] - ends[0]
        distance[place] = np.maximum(distance[place], np.sqrt(np.sum(gap * gap, axis=0)))
    wanted = multiply(before.rotations[:, first], turns[..., None])
    other = after.rotations[:, second]
    # Half the angle from the shorter of the two chords, q and −q being one rotation: precise when it is tiny.
    less, more = (np.sqrt(np.sum((other + sign * wanted) ** 2, axis=0)) for sign in (-1.0, 1.0))
    angle = 4.0 * np.arcsin(np.minimum(0.5 * np.minimum(less, more), 1.0))
    if before.linear is None and after.linear is None:
        return distance, np.rad2deg(angle), angle, np.ones_like(angle)
    own, new = (
        matrix_from_quaternion(world.rotations[:, joints])
        if world.linear is None
        else world.linear[:, :, joints]
        for world, joints in ((before, first), (after, second))
    )
    back = matrix_from_quaternion(conjugate(turns))
    change = np.einsum("rknt,kcn->rcnt", new, back) - own
    sizes = [np.sqrt(np.sum(matrix * matrix, axis=(0, 1))) for matrix in (change, new)]
    return distance, np.rad2deg(angle), sizes[0], sizes[1]


def _carried(world: World, joint: int, tip: Array) -> Array:
    """Return where a point in a joint's axes is in the world (3, T)."""
    place = world.positions[:, joint]
    if world.linear is None:
        reach = rotate(world.rotations[:, joint], tip[:, None])
    else:
        reach = np.einsum("rct,c->rt", world.linear[:, :, joint], tip)
    carried: Array = place + reach
    return carried


def skin_bound(
    before: tuple[Skin, ...], after: tuple[Skin, ...], found: Deviation, turned: Array | None
) -> float:
    """Return a distance that no point of a skin moves further than.

    Parameters
    ----------
    before, after
        The skins of both shots, in the same order.
    found
        What :func:`deviation` found for all joints of the rig.
    turned : (J, 4)
        The turns of the axes, None for none.

    Returns
    -------
    float
        In the rig's unit of length.

    Raises
    ------
    UsageError
        Where the skins have other points, joints or weights.

    Notes
    -----
    With ``d = B p`` from the inverse bind matrix, a point p of a joint stands at ``x + L d`` before and at
    ``x' + L' d'`` after. So it moves by at most ``|x' − x| + |L' A⁻¹ − L| |d| + |L'| |d' − A⁻¹ d|``, and a
    blend of points by at most the largest of these, times the sum of its weights.
    """
    if len(before) != len(after):
        raise UsageError("the shots have other skins")
    bound = 0.0
    for old, new in zip(before, after, strict=True):
        same = all(
            np.array_equal(getattr(old, name), getattr(new, name))
            for name in ("joints", "points", "influences", "weights")
        )
        if not same:
            raise UsageError(f"the skin {old.name!r} has other points, joints or weights")
        weight = float(np.max(np.sum(np.abs(old.weights), axis=1), initial=1.0))
        for row, joint in enumerate(old.joints):
            held = np.any((old.influences == row) & (old.weights != 0.0), axis=1)
            if not held.any():
                continue
            axes = IDENTITY if turned is None else turned[joint]
            own, other = (
                skin.inverse_binds[row, :3, :3] @ old.points[held].T
                + skin.inverse_binds[row, :3, 3:]
                for skin in (old, new)
            )
            moved = other - rotate(conjugate(axes)[:, None], own)
            far, off = (float(np.max(np.linalg.norm(each, axis=0))) for each in (own, moved))
            distance = (
                found.joint_positions[joint] + found.reach[joint] * far + found.stretch[joint] * off
            )
            bound = max(bound, weight * float(distance))
    return bound
