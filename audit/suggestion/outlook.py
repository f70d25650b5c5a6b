"""What the offsets of a rig would change in its shots: a second look, once the offsets are known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from audit.measures.joints import MARGIN_WORTH_A_CHANGE_DEG
from audit.measures.offsets import gimbal_margin, orders_with_inner
from audit.measures.outlook import cost_in_axes
from audit.model import Shot, Skeleton
from audit.pool import matching_places
from audit.reorient.turning import turn_of
from audit.rotations import conjugate, multiply
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

STAGES = ("now", "twist", "full", "other")
"""As it is; after the twist in the present order; after the full correction in the first and in the second of
the orders that have the hinge channel innermost."""


class Outlook:
    """Adds up what shots cost now and would cost after the offsets.

    Parameters
    ----------
    skeleton
        The rig.
    joints : (N,)
        Places of the joints with an offset.
    twist, full : (N, 4)
        New axes after the twist alone, and after the full correction.
    target_axis : (N,)
        Principal axis that then carries the hinge.
    settings
        Thresholds.

    Attributes
    ----------
    keys, moving : (4, N)
        Edit keys in all shots, and the most channels that move in any of them, for each of :data:`STAGES`.
    margin_deg : (2, N)
        Least gimbal margin over all shots in the two orders. In a format without rest rotations the constant
        that stays in the channels counts.
    orders
        The two orders of each joint; the file's own first where it is one of them.
    stated
        The file's own order of each joint, None where it states none.
    """

    def __init__(
        self,
        skeleton: Skeleton,
        joints: Indices,
        twist: Array,
        full: Array,
        target_axis: Indices,
        settings: Settings,
    ) -> None:
        count = len(joints)
        self._skeleton, self._joints, self._settings = skeleton, joints, settings
        self._twist, self._full = twist, full
        self.keys: Indices = np.zeros((len(STAGES), count), dtype=np.int64)
        self.moving: Indices = np.zeros((len(STAGES), count), dtype=np.int64)
        self.margin_deg = np.full((2, count), np.inf)
        self.stated = tuple(skeleton.orders[joint] or settings.order for joint in joints)
        self.orders = tuple(
            _pair(int(axis), stated) for axis, stated in zip(target_axis, self.stated, strict=True)
        )
        axes = np.tile([0.0, 0.0, 0.0, 1.0], (len(skeleton), 1))
        axes[joints] = full
        self._turn = turn_of(axes, skeleton.parents)

    def add(self, shot: Shot) -> None:
        """Add a shot of the rig."""
        places = self._joints
        if shot.skeleton is not self._skeleton:
            places = matching_places(self._skeleton, shot.skeleton)[places]
        first, second = ([pair[which] for pair in self.orders] for which in (0, 1))
        stages: Sequence[tuple[Array | None, Sequence[str | None]]] = (
            (None, self.stated),
            (self._twist, self.stated),
            (self._full, first),
            (self._full, second),
        )
        for row, (axes, orders) in enumerate(stages):
            cost = cost_in_axes(shot, places, axes, orders, self._settings)
            self.keys[row] += cost.edit_keys
            self.moving[row] = np.maximum(self.moving[row], cost.moving_channels)
        for column, (joint, place) in enumerate(
            zip(self._joints.tolist(), places.tolist(), strict=True)
        ):
            after = self._after(shot, joint, place)
            here = [float(gimbal_margin(after, order)[0]) for order in self.orders[column]]
            self.margin_deg[:, column] = np.minimum(self.margin_deg[:, column], np.rad2deg(here))

    def advised_order(self, column: int) -> tuple[str, int]:
        """Return the order that keeps a joint away from the lock, and the row of its stage in :data:`STAGES`.

        Parameters
        ----------
        column
            Place among the joints with an offset.

        Returns
        -------
        order, row
            Of the two orders the one with the larger margin. Where the first is the file's own it stays, unless
            the other gains :data:`audit.measures.joints.MARGIN_WORTH_A_CHANGE_DEG`.
        """
        first, second = self.orders[column]
        kept = self.stated[column] == first
        gain = float(self.margin_deg[1, column] - self.margin_deg[0, column])
        if gain > (MARGIN_WORTH_A_CHANGE_DEG if kept else 0.0):
            return second, STAGES.index("other")
        return first, STAGES.index("full")

    def _after(self, shot: Shot, joint: int, place: int) -> Array:
        """Return the rotations (4, 1, F) that the channels of a joint make after the correction."""
        rotations = shot.joint_rotations([place])[:, 0]
        if shot.has_rest_rotations:
            rest = shot.skeleton.rest_xyzw[place][:, None]
            return self._turn.away_from_rest(joint, multiply(conjugate(rest), rotations))[:, None]
        return self._turn.rotations(joint, rotations)[:, None]


def _pair(axis: int, stated: str | None) -> tuple[str, str]:
    """Return the two orders with an axis innermost, the stated one first where it is one of them."""
    pair = orders_with_inner(axis)
    return pair if stated != pair[1] else (pair[1], pair[0])
