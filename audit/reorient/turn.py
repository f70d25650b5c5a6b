"""A shot in new axes: the same motion, said by other numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError
from audit.model import Shot, Skeleton, Track, Tracks
from audit.reorient.columns import turned_channels
from audit.reorient.turning import IDENTITY, Turn, turn_of
from audit.rotations import conjugate, multiply, rotate

Array = npt.NDArray[np.float64]

EVEN = 3e-6
"""How far apart, as a share, the three scales of a joint may be and still count as one: twenty times what
rounding to 32 bits leaves. What it moves is in the proof."""

MOVING_UNEVENLY = "its scale is uneven and changes over time: turned axes would need shear"
RESTING_UNEVENLY = "its scale is uneven: turned axes would need shear"


def turn_axes(
    shot: Shot, axes: npt.ArrayLike, orders: Mapping[int, str] | None = None
) -> tuple[Shot, dict[int, str]]:
    """Return a shot whose joints have new axes and move as before.

    Parameters
    ----------
    shot
        Any shot.
    axes : (J, 4)
        New axes A of each joint as quaternions x, y, z, w in its present axes; identity for a joint that
        stays.
    orders
        New rotation orders by joint, for shots that state orders; others stay.

    Returns
    -------
    shot
        In the new axes. Joints that were not asked for keep their numbers, bit for bit, but for those that
        hang on a turned joint: where these have rest rotations or positions, these change.
    refused
        Why, for each joint that could not be turned; it keeps its axes.

    Raises
    ------
    ShapeError
        Where the axes do not fit the skeleton or are not of unit length.

    Notes
    -----
    With W the world rotation of a joint, ``W' = W A``. So ``R' = A_p⁻¹ R A`` with A_p the turn of the parent,
    ``R0' = A_p⁻¹ R0 A`` at rest and ``Q' = A⁻¹ Q A`` away from it; positions in the parent's axes become
    ``A_p⁻¹ t``, tips ``A⁻¹ t``. All of it is linear in the numbers of a quaternion or a position, so tangents
    turn the same way and curves between keys stay what they were. A format without rest rotations keeps the
    constant ``A_p⁻¹ A`` in its channels.
    """
    turns = np.array(axes, dtype=np.float64)
    count = len(shot.skeleton)
    if turns.shape != (count, 4):
        raise ShapeError(f"axes should have shape ({count}, 4), got {turns.shape}")
    lengths = np.linalg.norm(turns, axis=1)
    if not np.all(np.abs(lengths - 1.0) < 1e-6):
        raise ShapeError("axes should hold quaternions of unit length")
    turns /= lengths[:, None]
    turns[np.all(turns[:, :3] == 0.0, axis=1)] = IDENTITY
    refused = {
        joint: reason
        for joint in np.flatnonzero(turns[:, 3] != 1.0).tolist()
        if (reason := _unevenly_scaled(shot, joint)) is not None
    }
    if refused:
        turns[list(refused)] = IDENTITY
    wanted = {
        joint: order
        for joint, order in (orders or {}).items()
        if joint not in refused and shot.skeleton.orders[joint] is not None
    }
    turn = turn_of(turns, shot.skeleton.parents)
    before = np.tile(IDENTITY, (count, 1)) if shot.turned is None else shot.turned
    turned = np.where(turn.own, multiply(before.T, turn.axes), before.T).T
    skeleton = _turned_skeleton(shot, turn)
    if shot.channels is not None:
        channels, stated = turned_channels(shot, turn, wanted)
        skeleton = replace(skeleton, orders=stated)
        return replace(shot, skeleton=skeleton, channels=channels, turned=turned), refused
    skeleton = replace(
        skeleton,
        orders=tuple(wanted.get(joint, own) for joint, own in enumerate(skeleton.orders)),
    )
    if shot.tracks is not None:
        tracks = _turned_tracks(shot.tracks, turn)
        return replace(shot, skeleton=skeleton, tracks=tracks, turned=turned), refused
    rotations = np.array(shot.rotations)
    positions = None if shot.positions is None else np.array(shot.positions)
    for joint in np.flatnonzero(turn.touched).tolist():
        rotations[:, joint] = turn.rotations(joint, rotations[:, joint].T).T
        if positions is not None and turn.above[joint]:
            positions[:, joint] = turn.positions(joint, positions[:, joint].T).T
    changed = replace(
        shot, skeleton=skeleton, rotations=rotations, positions=positions, turned=turned
    )
    return changed, refused


def _unevenly_scaled(shot: Shot, joint: int) -> str | None:
    """Return why the scale of a joint forbids to turn it, None where it does not."""
    track = None if shot.tracks is None else shot.tracks.scales[joint]
    if track is not None:
        size = np.max(np.abs(track.values), axis=1)
        curves = [(track.values, size)]
        for tangents in (track.in_tangents, track.out_tangents):
            if tangents is not None:
                # A tangent counts with the time it works over, at most the whole track.
                span = max(float(np.ptp(track.times_s)), 1e-30)
                curves.append((tangents * span, size))
        if not all(_even(*each) for each in curves):
            return MOVING_UNEVENLY
    # The rest scale counts beside an animated one too: the rest pose has to stay what it is.
    rest = shot.skeleton.rest_scales[joint]
    return None if _even(rest[None], np.max(np.abs(rest))) else RESTING_UNEVENLY


def _even(scales: Array, size: Array | float) -> bool:
    """Tell whether the three scales of each row (K, 3) are one."""
    return bool(np.all(np.ptp(scales, axis=1) <= EVEN * np.maximum(size, 1e-30)))


def _turned_skeleton(shot: Shot, turn: Turn) -> Skeleton:
    """Return the joints in their new axes, with their rotation orders as they were."""
    skeleton = shot.skeleton
    rest = np.array(skeleton.rest_xyzw)
    offsets = np.array(skeleton.offsets)
    tips = np.array(skeleton.tip_offsets)
    for joint in np.flatnonzero(turn.touched).tolist():
        if shot.has_rest_rotations:
            rest[joint] = turn.rotations(joint, rest[joint][:, None])[:, 0]
        if turn.above[joint]:
            offsets[joint] = turn.positions(joint, offsets[joint][:, None])[:, 0]
    for tip, joint in enumerate(skeleton.tip_joints):
        if turn.own[joint]:
            tips[tip] = rotate(conjugate(turn.axes[:, joint]), tips[tip])
    return replace(skeleton, rest_xyzw=rest, offsets=offsets, tip_offsets=tips)


def _turned_tracks(tracks: Tracks, turn: Turn) -> Tracks:
    """Return the tracks in the new axes; those of untouched joints are handed on."""

    def turned(track: Track | None, joint: int, by: Callable[[int, Array], Array]) -> Track | None:
        if track is None:
            return None
        comes, leaves = (
            None if tangents is None else by(joint, tangents.T).T
            for tangents in (track.in_tangents, track.out_tangents)
        )
        values = by(joint, track.values.T).T
        return replace(track, values=values, in_tangents=comes, out_tangents=leaves)

    return Tracks(
        rotations=tuple(
            turned(track, joint, turn.rotations) if turn.touched[joint] else track
            for joint, track in enumerate(tracks.rotations)
        ),
        positions=tuple(
            turned(track, joint, turn.positions) if turn.above[joint] else track
            for joint, track in enumerate(tracks.positions)
        ),
        scales=tracks.scales,
        length_errors=tracks.length_errors,
    )
