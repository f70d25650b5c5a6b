"""What has to change in a table for joints whose axes have been turned since it was read."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from audit.conventions import AXES, ORDER_WITHOUT_CHOICE
from audit.model import Shot, Track
from audit.rotations import angles_from_quaternion, conjugate, continuous_angles, multiply
from audit.tables.cells import Array, Indices
from audit.tables.columns import ANGLES, OFFSET, ORDER, POSITION, QUATERNION, REST, TIP
from audit.tables.fresh import picked
from audit.tables.rows import Rows

TURNED = 1e-12
"""A turn below this counts as none: it is what rounding leaves."""


class Changes:
    """New cells, by column.

    Attributes
    ----------
    numbers
        For each column rows (N,) and their new numbers (N,).
    orders
        Row and new rotation order.
    """

    def __init__(self) -> None:
        self.numbers: dict[str, tuple[Indices, Array]] = {}
        self.orders: dict[int, str] = {}

    def __bool__(self) -> bool:
        """Tell whether there are any."""
        return bool(self.numbers or self.orders)

    def put(self, names: tuple[str, ...], rows: Indices, values: Array) -> None:
        """Add new numbers (N, n) of some rows to columns that belong together."""
        for column, name in enumerate(names):
            before = self.numbers.get(name, (np.zeros(0, dtype=np.int64), np.zeros(0)))
            self.numbers[name] = (
                np.concatenate((before[0], rows)),
                np.concatenate((before[1], values[:, column])),
            )


def changes_of(shot: Shot, rows: Rows) -> Changes | None:
    """Return the cells that change.

    Parameters
    ----------
    shot
        As it was read from the table, or with joints turned since.
    rows
        The table.

    Returns
    -------
    Changes or None
        Empty where nothing was turned; None where the shot has other joints or keys than the table, so that
        it has to be written anew.
    """
    if not _fits(shot, rows):
        return None
    changes = Changes()
    joints = len(rows.names)
    turned = np.zeros(joints, dtype=bool)
    if shot.turned is not None:
        turned = np.max(np.abs(shot.turned[:, :3]), axis=1) > TURNED
    for joint, parent in enumerate(rows.parents):
        order = shot.skeleton.orders[joint]
        new_order = rows.orders[joint] is not None and order != rows.orders[joint]
        carried = parent >= 0 and bool(turned[parent])
        own = rows.own(joint)
        keyed = rows.keys(joint, rows.rotation_key)
        if len(keyed) and (turned[joint] or new_order or (carried and not rows.angles)):
            changes.put(
                ANGLES if rows.angles else QUATERNION,
                keyed,
                _angles(shot, joint, rows, keyed)
                if rows.angles
                else _rotations(shot, joint, rows, keyed),
            )
        if new_order and order is not None:
            codes, words = rows.cells.texts[ORDER]
            changes.orders |= {int(row): order for row in own if words[codes[row]]}
        if carried:
            moved = rows.keys(joint, rows.position_key)
            if len(moved):
                changes.put(POSITION, moved, _positions(shot, joint, rows, moved))
            if not (len(moved) and np.isnan(rows.offset[joint, 0])):
                _say(changes, rows, own, OFFSET, shot.skeleton.offsets[joint], np.zeros(3))
        if turned[joint] or carried:
            identity = np.array([0.0, 0.0, 0.0, 1.0])
            _say(changes, rows, own, REST, shot.skeleton.rest_xyzw[joint], identity)
        if turned[joint] and joint in shot.skeleton.tip_joints:
            tip = shot.skeleton.tip_offsets[shot.skeleton.tip_joints == joint][0]
            _say(changes, rows, own, TIP, tip, np.full(3, np.nan))
    return changes


def _say(
    changes: Changes, rows: Rows, own: Indices, names: tuple[str, ...], value: Array, default: Array
) -> None:
    """Change what is said of a joint in every row that says it, or say it in the first."""
    said = own[~np.isnan(rows.cells.group(names)[own, 0])]
    if not len(said):
        if np.array_equal(value, default):
            return
        said = own[:1]
    changes.put(names, said, np.tile(value, (len(said), 1)))


def _fits(shot: Shot, rows: Rows) -> bool:
    """Tell whether a shot has the joints and keys of a table."""
    if shot.skeleton.names != rows.names:
        return False
    times = rows.cells.numbers["time_s"]
    for joint in range(len(rows.names)):
        if shot.tracks is None:
            continue
        for keys, track in (
            (rows.rotation_key, shot.tracks.rotations[joint]),
            (rows.position_key, shot.tracks.positions[joint]),
        ):
            own = times[rows.keys(joint, keys)]
            if not np.array_equal(own, np.zeros(0) if track is None else track.times_s):
                return False
    every = np.unique(times[~np.isnan(times)])
    return np.array_equal(shot.times_s, every if len(every) else np.zeros(1))


def _frames(shot: Shot, rows: Rows, keyed: Indices) -> Indices:
    """Return the frames (K,) at which some rows stand."""
    return np.searchsorted(shot.times_s, rows.cells.numbers["time_s"][keyed]).astype(np.int64)


def _rotations(shot: Shot, joint: int, rows: Rows, keyed: Indices) -> Array:
    """Return the rotations (K, 4) of a joint at its keys."""
    track = None if shot.tracks is None else shot.tracks.rotations[joint]
    return _at_keys(shot, track, rows, keyed, lambda: shot.rotations_xyzw[:, joint])


def _positions(shot: Shot, joint: int, rows: Rows, moved: Indices) -> Array:
    """Return the positions (K, 3) of a joint at its keys."""
    track = None if shot.tracks is None else shot.tracks.positions[joint]
    return _at_keys(shot, track, rows, moved, lambda: shot.local_positions[:, joint])


def _at_keys(
    shot: Shot, track: Track | None, rows: Rows, keyed: Indices, framed: Callable[[], Array]
) -> Array:
    """Return a track's values, or where there is none those of the frames at which some rows stand."""
    return framed()[_frames(shot, rows, keyed)] if track is None else track.values


def _angles(shot: Shot, joint: int, rows: Rows, keyed: Indices) -> Array:
    """Return the angles (K, 3) of a joint at its keys, in degrees about x, y, z."""
    if shot.channels is not None:
        columns = shot.channels.rotation_columns[joint]
        return picked(shot.channels.values[_frames(shot, rows, keyed)], columns, 0.0)
    order = shot.skeleton.orders[joint] or ORDER_WITHOUT_CHOICE
    rest = shot.skeleton.rest_xyzw[joint][:, None]
    away = multiply(conjugate(rest), _rotations(shot, joint, rows, keyed).T)
    angles = np.rad2deg(continuous_angles(angles_from_quaternion(away, order)))
    return np.stack([angles[order.index(axis)] for axis in AXES], axis=1)
