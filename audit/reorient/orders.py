"""Rotation orders for formats in whose channels the turn of the axes remains."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from audit.conventions import axis_indices
from audit.measures.joints import MARGIN_WORTH_A_CHANGE_DEG
from audit.measures.offsets import gimbal_margin, orders_with_inner
from audit.model import Shot
from audit.reorient.turning import turn_of

Array = npt.NDArray[np.float64]


def orders_with_margin(
    shots: Sequence[Shot], axes: npt.ArrayLike, orders: Mapping[int, str]
) -> dict[int, str]:
    """Return rotation orders that keep away from the lock where constants remain in the channels.

    Parameters
    ----------
    shots
        Shots of one rig.
    axes : (J, 4)
        New axes of each joint.
    orders
        Orders by joint, each with the hinge channel innermost.

    Returns
    -------
    dict
        The same joints. In a format without rest rotations the constant ``A_p⁻¹ A`` stands on the outer two
        channels and may bring the middle one near ±90°: there the other order with the same innermost channel
        is taken where its margin over all shots is clearly larger.
    """
    if all(shot.has_rest_rotations for shot in shots):
        return dict(orders)
    turn = turn_of(np.asarray(axes, dtype=np.float64), shots[0].skeleton.parents)
    chosen = dict(orders)
    for joint, order in orders.items():
        if not turn.touched[joint]:
            continue
        pair = orders_with_inner(axis_indices(order)[2])
        other = pair[0] if pair[1] == order else pair[1]
        margins = np.full(2, np.inf)
        for shot in shots:
            after = turn.rotations(joint, shot.joint_rotations([joint])[:, 0])[:, None]
            here = [float(gimbal_margin(after, each)[0]) for each in (order, other)]
            margins = np.minimum(margins, np.rad2deg(here))
        if margins[1] > margins[0] + MARGIN_WORTH_A_CHANGE_DEG:
            chosen[joint] = other
    return chosen
