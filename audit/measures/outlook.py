"""What a motion costs in other axes than its own, without looking for an axis."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDERS
from audit.measures.blocks import measured_rotations
from audit.measures.spread import Cost, channel_curves, cost_of
from audit.model import Shot
from audit.rotations import conjugate, multiply
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


def cost_in_axes(
    shot: Shot,
    joints: npt.ArrayLike,
    axes: npt.ArrayLike | None = None,
    orders: Sequence[str | None] | None = None,
    settings: Settings | None = None,
) -> Cost:
    """Return what the rotations of some joints cost in new axes, recomputed from the motion.

    Parameters
    ----------
    shot
        Any shot.
    joints : (N,)
        Places of the joints.
    axes : (N, 4)
        New axes A as quaternions in the joints' present ones, ``Q' = A⁻¹ Q A``; the present ones where None.
    orders
        Rotation order of each joint, in its new axes; where None, or for a joint where it is None, the file's
        own, else the one in the settings, else the best of the six: the one with the least channel spread.
    settings
        Thresholds; the project's definitions where None.

    Returns
    -------
    Cost
        Of the N joints, in the order in which they were asked for.
    """
    settings = settings or Settings()
    places = np.asarray(joints, dtype=np.int64)
    turns = None if axes is None else np.asarray(axes, dtype=np.float64).T
    wanted = [None] * len(places) if orders is None else list(orders)
    result = Cost.none(len(places))
    alike: dict[tuple[str | None, str | None, bytes], list[int]] = {}
    for row, joint in enumerate(places.tolist()):
        stated = shot.skeleton.orders[joint]
        clock = b"" if shot.tracks is None else shot.joint_times(joint).tobytes()
        alike.setdefault((stated, wanted[row] or stated or settings.order, clock), []).append(row)
    for (_, order, _), some in alike.items():
        rows = np.array(some)
        here = places[rows]
        quaternion = measured_rotations(shot, settings.reference, here)
        if turns is not None:
            turn = turns[:, rows, None]
            quaternion = multiply(multiply(conjugate(turn), quaternion), turn)
        times = shot.joint_times(int(here[0]))
        result.put(rows, _least(quaternion, times, ORDERS if order is None else (order,), settings))
    return result


def _least(quaternion: Array, times: Array, orders: Sequence[str], settings: Settings) -> Cost:
    """Return the cost of rotations (4, N, F) in the one of some orders that spreads each joint least."""
    costs = [
        cost_of(
            channel_curves(quaternion, order),
            order,
            times,
            tolerance_deg=settings.key_tolerance_deg,
            moving_deg=settings.moving_range_deg,
        )
        for order in orders
    ]
    if len(costs) == 1:
        return costs[0]
    # Rounded, so that equals stay equal whatever the last digits do; the first of them wins.
    spreads = np.round([cost.channel_spread for cost in costs], 6)
    best = np.argmin(np.where(np.isnan(spreads), np.inf, spreads), axis=0)
    result = costs[0]
    for index in range(1, len(costs)):
        rows = np.flatnonzero(best == index)
        result.put(rows, costs[index][rows])
    return result
