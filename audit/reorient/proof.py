"""The proof that two shots show the same motion: both are played, and the largest differences are kept."""

from __future__ import annotations

from collections.abc import Iterator
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

INSTANTS_AT_A_TIME = 4096
"""Instants that are played together: enough to make little of numpy's cost of a call, few enough for memory."""

NUMBERS_AT_A_TIME = 16384
"""Joints times instants that are compared together: what is worked out of them then stays in the cache."""

A_QUARTER = 0.25
"""Where between two keys cubic curves are compared too. Half-way alone would not tell a curve whose tangents
at both ends were changed by the same amount: the two changes cancel there, and nowhere else."""

SAME_INSTANT_S = 1e-6
"""Keys of two shots that are nearer than this are compared at one time."""


@dataclass(frozen=True, eq=False)
class Deviation:
    """The largest differences between two shots.

    Attributes
    ----------
    times
        How many instants were compared: all keys of both, half-way between, and where there are cubic curves
        also a quarter of the way.
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
        The shots. They are compared over the time that both cover, at every key of either and half-way between;
        where one has cubic curves, also a quarter of the way.
    places
        Which joints to compare, (N,) places in each; all in order where None.
    axes : (N, 4)
        Turn A of each compared joint's axes from the first shot to the second, ``W' = W A``; taken from what
        both shots say that they were turned by where None.

    Returns
    -------
    Deviation

    Raises
    ------
    UsageError
        Where the shots have other joints and no places are given.

    Notes
    -----
    Forward kinematics with scale and shear, as glTF and OpenUSD define it. Both start at their own first key.
    """
    first, second = _places(before, after, places)
    turns = _turns(before, after, first, second, axes).T
    groups, offset = _instants(before, after)
    tips = _tips(before, after, first, second)
    players = Player(before), Player(after)
    found = _Largest(len(first))
    for block in _blocks(groups):
        worlds = [
            world_transforms(shot.skeleton, *player.at(times))
            for shot, player, times in zip(
                (before, after), players, (block, block + offset), strict=True
            )
        ]
        step = max(NUMBERS_AT_A_TIME // len(block), 1)
        for start in range(0, len(first), step):
            some = slice(start, start + step)
            found.add(
                some,
                block,
                *_differences(worlds[0], worlds[1], first[some], second[some], turns[:, some]),
            )
        for place, own, other in tips:
            gap = _carried(worlds[1], int(second[place]), other) - _carried(
                worlds[0], int(first[place]), own
            )
            found.add(slice(place, place + 1), block, _squared(gap)[None])
    joint, when = found.largest(0)
    turned, turned_when = found.largest(1)
    distances, angles = np.sqrt(found.squares[0]), _angle(found.squares[1])
    scaled = bool(np.any(found.squares[3]))
    return Deviation(
        times=sum(map(len, groups)),
        height=rest_height(before.skeleton),
        position=float(distances[joint]) if len(first) else 0.0,
        position_joint=int(first[joint]) if len(first) else -1,
        position_time_s=when,
        rotation_deg=float(np.rad2deg(angles[turned])) if len(first) else 0.0,
        rotation_joint=int(first[turned]) if len(first) else -1,
        rotation_time_s=turned_when,
        joint_positions=distances,
        joint_rotations_deg=np.rad2deg(angles),
        reach=np.sqrt(found.squares[2]) if scaled else angles,
        stretch=np.sqrt(found.squares[3]) if scaled else np.ones(len(first)),
    )


class _Largest:
    """The largest squares of some figures for each joint, and when they stood.

    Attributes
    ----------
    squares : (4, N)
        Of distance, chord between rotations, reach and stretch; the last two stay 0 where nothing is scaled.
    """

    def __init__(self, joints: int) -> None:
        self.squares = np.zeros((4, joints))
        self._times = np.zeros((4, joints))

    def add(self, some: slice, times_s: Array, *figures: Array) -> None:
        """Take in figures (N, T) of some joints at some times."""
        for row, figure in enumerate(figures):
            places = np.argmax(figure, axis=1)
            here = np.take_along_axis(figure, places[:, None], axis=1)[:, 0]
            # NaN, from numbers beyond measure, has to come out as a difference and not to vanish.
            here = np.where(np.isnan(here), np.inf, here)
            larger = here > self.squares[row, some]
            self.squares[row, some] = np.where(larger, here, self.squares[row, some])
            self._times[row, some] = np.where(larger, times_s[places], self._times[row, some])

    def largest(self, row: int) -> tuple[int, float]:
        """Return place and time of the largest of a figure."""
        if not self.squares.shape[1]:
            return -1, 0.0
        joint = int(np.argmax(self.squares[row]))
        return joint, float(self._times[row, joint])


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


def _turns(
    before: Shot, after: Shot, first: Indices, second: Indices, axes: npt.ArrayLike | None
) -> Array:
    """Return the turns (N, 4) of the compared joints' axes from the first shot to the second."""
    if axes is not None:
        return np.asarray(axes, dtype=np.float64)
    own, other = (
        np.tile(IDENTITY, (len(places), 1)) if shot.turned is None else shot.turned[places]
        for shot, places in ((before, first), (after, second))
    )
    return multiply(conjugate(own.T), other.T).T


def _instants(before: Shot, after: Shot) -> tuple[list[Array], float]:
    """Return the times to compare, by the first shot's clock, and what the second's is ahead of it.

    The keys come first, then the times between them: what lies half-way is then worked out together, which is
    quicker.
    """
    offset = float(after.times_s[0] - before.times_s[0])
    own, other = before.times_s, after.times_s - offset
    end = min(own[-1], other[-1])
    keys = np.unique(np.concatenate((own, other)))
    keys = keys[keys <= end + SAME_INSTANT_S]
    keys = keys[np.concatenate(([True], np.diff(keys) > SAME_INSTANT_S))]
    groups = [keys]
    if len(keys) > 1:
        groups.append(0.5 * (keys[1:] + keys[:-1]))
        if _curved(before) or _curved(after):
            groups.append(keys[:-1] + A_QUARTER * np.diff(keys))
    return groups, offset


def _curved(shot: Shot) -> bool:
    """Tell whether anything moves along cubic curves."""
    tracks = shot.tracks
    return tracks is not None and any(
        track is not None and track.interpolation == "cubic"
        for track in (*tracks.rotations, *tracks.positions, *tracks.scales)
    )


def _blocks(groups: list[Array]) -> Iterator[Array]:
    """Return the times in pieces that are played together."""
    for times in groups:
        for start in range(0, len(times), INSTANTS_AT_A_TIME):
            yield times[start : start + INSTANTS_AT_A_TIME]


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
    before: World, after: World, first: Indices, second: Indices, turns: Array
) -> tuple[Array, ...]:
    """Return the squares (N, T) of distance and chord of some joints; with scales, of reach and stretch too."""
    figures = [_squared(after.positions[:, second] - before.positions[:, first])]
    wanted = multiply(before.rotations[:, first], turns[..., None])
    other = after.rotations[:, second]
    # The shorter of the two chords, q and −q being one rotation; a difference is precise where it is tiny.
    chord = _squared(other - wanted)
    if np.any(chord > 2.0):
        chord = np.minimum(chord, _squared(other + wanted))
    figures.append(chord)
    if before.linear is None and after.linear is None:
        return tuple(figures)
    own, new = (
        matrix_from_quaternion(world.rotations[:, joints])
        if world.linear is None
        else world.linear[:, :, joints]
        for world, joints in ((before, first), (after, second))
    )
    back = matrix_from_quaternion(conjugate(turns))
    change = np.einsum("rknt,kcn->rcnt", new, back) - own
    figures += [_squared(matrix.reshape(9, *matrix.shape[2:])) for matrix in (change, new)]
    return tuple(figures)


def _squared(values: Array) -> Array:
    """Return the sum of squares over the first axis."""
    total: Array = np.einsum("i...,i...->...", values, values)
    return total


def _angle(chord_squared: Array) -> Array:
    """Return angles in radians between rotations from the squared chords between their quaternions."""
    angle: Array = 4.0 * np.arcsin(np.minimum(0.5 * np.sqrt(chord_squared), 1.0))
    return angle


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
    blend of such points by at most the sum of these with its weights.
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
        moved = np.zeros(len(old.points))
        for row, joint in enumerate(old.joints):
            weights = np.sum(np.abs(old.weights) * (old.influences == row), axis=1)
            held = np.flatnonzero(weights)
            if not len(held):
                continue
            axes = IDENTITY if turned is None else turned[joint]
            own, other = (
                skin.inverse_binds[row, :3, :3] @ old.points[held].T
                + skin.inverse_binds[row, :3, 3:]
                for skin in (old, new)
            )
            off = other - rotate(conjugate(axes)[:, None], own)
            distance = (
                found.joint_positions[joint]
                + found.reach[joint] * np.sqrt(_squared(own))
                + found.stretch[joint] * np.sqrt(_squared(off))
            )
            moved[held] += weights[held] * distance
        # Unlike Python's, numpy's maximum lets no NaN vanish.
        bound = float(np.maximum(bound, np.max(moved, initial=0.0)))
    return bound
