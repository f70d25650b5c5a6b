"""The channels of a shot in new axes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES, axis_indices
from audit.model import Channels, Shot
from audit.reorient.turning import Turn
from audit.rotations import angles_from_quaternion, continuous_angles, quaternion_from_angles

Array = npt.NDArray[np.float64]
Orders = tuple[str | None, ...]


def turned_channels(shot: Shot, turn: Turn, orders: Mapping[int, str]) -> tuple[Channels, Orders]:
    """Return the channels of a shot in new axes, and the rotation order of every joint.

    Parameters
    ----------
    shot
        Made of channels.
    turn
        The turns.
    orders
        New orders by joint; others stay.

    Returns
    -------
    channels
        A joint whose rotation is not as it was gets all three rotation channels, one whose position changes
        all three position channels. What has not changed keeps its columns, bit for bit.
    orders
        One a joint.

    Raises
    ------
    TypeError
        Where the shot is not made of channels: a fault of the program.
    """
    before = shot.channels
    if before is None:
        raise TypeError("the shot is not made of channels")
    store = _Columns(before)
    stated = list(shot.skeleton.orders)
    for joint, order in enumerate(shot.skeleton.orders):
        if order is None:
            continue
        wanted = orders.get(joint, order)
        carries = turn.above[joint] and not shot.has_rest_rotations
        if turn.own[joint] or carries or wanted != order:
            own = quaternion_from_angles(before.angles_rad([joint], order)[:, 0], order)
            by = turn.away_from_rest if shot.has_rest_rotations else turn.rotations
            away = by(joint, own)
            angles = continuous_angles(angles_from_quaternion(away, wanted))
            store.put_rotations(joint, wanted, np.rad2deg(angles))
            stated[joint] = wanted
        if turn.above[joint] and np.any(before.position_columns[joint] >= 0):
            store.put_positions(joint, turn.positions(joint, shot.local_positions[:, joint].T))
    return store.channels(), tuple(stated)


class _Columns:
    """Channels that are being changed: columns that exist are written over, missing ones are added."""

    def __init__(self, before: Channels) -> None:
        self._before = before
        self._values = np.array(before.values)
        self._rotations = np.array(before.rotation_columns)
        self._positions = np.array(before.position_columns)
        self._added: list[Array] = []

    def put_rotations(self, joint: int, order: str, degrees: Array) -> None:
        """Give a joint three rotation channels (3, F): outer, middle, inner of the order."""
        for axis, values in zip(axis_indices(order), degrees, strict=True):
            self._put(self._rotations, joint, axis, values)

    def put_positions(self, joint: int, positions: Array) -> None:
        """Give a joint three position channels (3, F)."""
        for axis, _ in enumerate(AXES):
            self._put(self._positions, joint, axis, positions[axis])

    def _put(self, columns: npt.NDArray[np.int64], joint: int, axis: int, values: Array) -> None:
        place = int(columns[joint, axis])
        if place >= 0:
            self._values[:, place] = values
            return
        columns[joint, axis] = self._values.shape[1] + len(self._added)
        self._added.append(values)

    def channels(self) -> Channels:
        """Return the new channels."""
        values = self._values
        if self._added:
            values = np.hstack([values, np.stack(self._added, axis=1)])
        return Channels(values, self._rotations, self._positions)
