"""From a table taken apart to a shot."""

from __future__ import annotations

import numpy as np

from audit.conventions import ORDER_WITHOUT_CHOICE, axis_indices
from audit.model import Channels, Shot, Skeleton, Source, Track, Tracks
from audit.model.shot import UNIT_LENGTH
from audit.rotations import multiply, quaternion_from_angles
from audit.tables.cells import Array, Flags, Indices
from audit.tables.columns import ANGLES, POSITION, QUATERNION, REST
from audit.tables.rows import Rows

SHORTEST = 1e-6
"""Quaternions shorter than this have no direction."""

REST_LENGTH = 0.01
"""How far the length of a rest rotation may be from one (our choice); it is made one."""

EXACT = 1e-7
"""Rest rotations nearer to unit length than this are taken as they are."""


def shot_of(rows: Rows, source: Source, origin: object) -> Shot:
    """Return the shot of a table.

    Parameters
    ----------
    rows
        The table.
    source, origin
        As the shot keeps them.

    Returns
    -------
    Shot
        Made of channels where rotations are angles and all joints that have keys have them at the same times;
        else of tracks.

    Raises
    ------
    FormatError
        Where a key lacks numbers, or a quaternion has no length: with row and column.
    """
    times = np.unique(rows.cells.numbers["time_s"])
    times = times[~np.isnan(times)]
    if not len(times):
        times = np.zeros(1)
    if rows.angles:
        filled = _filled_axes(rows, rows.rotation, rows.rotation_key, ANGLES)
        placed = _filled_axes(rows, rows.position, rows.position_key, POSITION)
        if all(
            count in (0, len(times))
            for keys in (rows.rotation_key, rows.position_key)
            for count in np.bincount(rows.place[keys >= 0], minlength=len(rows.names))
        ):
            skeleton = _skeleton(rows, ORDER_WITHOUT_CHOICE)
            return Shot(
                skeleton,
                times,
                source,
                channels=_channels(rows, times, filled, placed),
                origin=origin,
            )
    else:
        placed = _filled_axes(rows, rows.position, rows.position_key, POSITION)
    skeleton = _skeleton(rows, None)
    joints = range(len(rows.names))
    keys, errors = _angle_keys(rows, skeleton) if rows.angles else _quaternion_keys(rows)
    rotations = tuple(_track(rows, joint, rows.rotation_key, keys) for joint in joints)
    # An axis that the table leaves out stays at the offset.
    whole = np.where(np.isnan(rows.position), skeleton.offsets[rows.place], rows.position)
    positions = tuple(_track(rows, joint, rows.position_key, whole) for joint in joints)
    nothing = (None,) * len(rows.names)
    used = [track for track in (*rotations, *positions) if track is not None]
    return Shot(
        skeleton,
        times,
        source,
        tracks=Tracks(rotations, positions, nothing, length_errors=errors),
        every_frame=all(len(track.times_s) == len(times) for track in used),
        origin=origin,
    )


def _filled_axes(rows: Rows, values: Array, keys: Indices, names: tuple[str, ...]) -> Flags:
    """Return which axes each joint has (J, 3); they are the same in all of its rows that have any."""
    filled = ~np.isnan(values)
    result = np.zeros((len(rows.names), 3), dtype=bool)
    present = np.flatnonzero(keys >= 0)
    result[rows.place[present[::-1]]] = filled[present[::-1]]
    differs = filled[present] != result[rows.place[present]]
    if np.any(differs):
        at, axis = np.argwhere(differs)[0]
        row = int(present[at])
        raise rows.cells.fault(
            row,
            names[int(axis)],
            "the cell is empty"
            if not filled[row, axis]
            else "the cell is filled here and empty before",
            "A joint has the same channels at all of its keys",
        )
    return result


def _channels(rows: Rows, times: Array, filled: Flags, placed: Flags) -> Channels:
    """Return the channels of a table: for each joint its angles, then its positions."""
    wanted = np.hstack((filled, placed))
    columns = np.full(wanted.shape, -1, dtype=np.int64)
    columns[wanted] = np.arange(np.sum(wanted))
    values = np.zeros((len(times), int(np.sum(wanted))))
    for cells, keys, own in (
        (rows.rotation, rows.rotation_key, columns[:, :3]),
        (rows.position, rows.position_key, columns[:, 3:]),
    ):
        for axis in range(3):
            target = own[rows.place, axis]
            chosen = (target >= 0) & (keys >= 0)
            values[keys[chosen], target[chosen]] = cells[chosen, axis]
    return Channels(values, columns[:, :3].copy(), columns[:, 3:].copy())


def _quaternion_keys(rows: Rows) -> tuple[Array, tuple[float, ...]]:
    """Return the rotation of each row (R, 4) at unit length, and how far the worst was from it, by joint."""
    values = rows.rotation
    present = rows.rotation_key >= 0
    lacking = np.isnan(values) & present[:, None]
    if np.any(lacking):
        row, column = np.argwhere(lacking)[0]
        raise rows.cells.fault(
            int(row), QUATERNION[int(column)], "the cell is empty", "x, y, z, w are filled together"
        )
    lengths = np.ones(len(values))
    lengths[present] = np.linalg.norm(values[present], axis=1)
    if np.any(lengths < SHORTEST):
        row = int(np.argmax(lengths < SHORTEST))
        raise rows.cells.fault(
            row, "x", "the quaternion x y z w has no length", "Put in a rotation"
        )
    errors = np.zeros(len(rows.names))
    np.maximum.at(errors, rows.place, np.abs(lengths - 1.0))
    # What is of unit length but for rounding stays as it is, to the last bit.
    off = np.abs(lengths - 1.0) > UNIT_LENGTH
    return np.where(off[:, None], values / lengths[:, None], values), tuple(errors.tolist())


def _angle_keys(rows: Rows, skeleton: Skeleton) -> tuple[Array, None]:
    """Return the rotation of each row (R, 4) from its angles away from rest."""
    result = np.full((len(rows.place), 4), np.nan)
    for joint, order in enumerate(skeleton.orders):
        chosen = rows.keys(joint, rows.rotation_key)
        if len(chosen) and order is not None:
            angles = np.deg2rad(np.nan_to_num(rows.rotation[chosen]))[:, axis_indices(order)].T
            rest = skeleton.rest_xyzw[joint][:, None]
            result[chosen] = multiply(rest, quaternion_from_angles(angles, order)).T
    return result, None


def _track(rows: Rows, joint: int, keys: Indices, values: Array) -> Track | None:
    """Return the track of a joint, None where it has no keys."""
    chosen = rows.keys(joint, keys)
    if not len(chosen):
        return None
    return Track(rows.cells.numbers["time_s"][chosen], values[chosen])


def _skeleton(rows: Rows, order: str | None) -> Skeleton:
    """Return the skeleton of a table; ``order`` goes to joints that state none."""
    rest = np.where(np.isnan(rows.rest), [0.0, 0.0, 0.0, 1.0], rows.rest)
    lengths = np.linalg.norm(rest, axis=1)
    if np.any(np.abs(lengths - 1.0) > REST_LENGTH):
        joint = int(np.argmax(np.abs(lengths - 1.0) > REST_LENGTH))
        row = int(
            np.flatnonzero((rows.place == joint) & ~np.isnan(rows.cells.group(REST)[:, 0]))[0]
        )
        raise rows.cells.fault(
            row, "rest_x", f"the rest rotation has length {lengths[joint]:.4g}", "It has length one"
        )
    off = np.abs(lengths - 1.0) > EXACT
    tips = np.flatnonzero(~np.isnan(rows.tip[:, 0]))
    return Skeleton(
        names=rows.names,
        parents=np.array(rows.parents),
        offsets=_offsets(rows),
        rest_xyzw=np.where(off[:, None], rest / lengths[:, None], rest),
        orders=tuple(own or order for own in rows.orders),
        tip_joints=tips,
        tip_offsets=rows.tip[tips],
    )


def _offsets(rows: Rows) -> Array:
    """Return offsets (J, 3): as stated, else the joint's first position, else 0."""
    offsets = rows.offset.copy()
    start = rows.position_key == 0
    first = np.full(offsets.shape, np.nan)
    first[rows.place[start]] = rows.position[start]
    offsets = np.where(np.isnan(offsets), first, offsets)
    return np.nan_to_num(offsets)
