"""Advice for joints that are no hinges: never counted as a defect, and never more than advice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDERS
from audit.measures import offsets
from audit.pool.result import PooledMeasures

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

CLEAR_SWING = 1.5
"""The main swing is told from the one across it where it has this many times its mean square (our choice)."""


@dataclass(frozen=True, eq=False)
class Advice:
    """What would make J two-axis and free joints easier to animate. Advice, not a finding.

    Attributes
    ----------
    swing_twist_deg : (J,)
        Turn about the limb that puts the main swing on one channel, right-handed; NaN for hinges and still
        joints, and where no swing stands out or nothing has a limb.
    swing_channel : (J,)
        Principal axis (0 X, 1 Y, 2 Z) that then carries it, −1 without advice.
    order
        Rotation order with the largest gimbal margin over all shots, in the present axes, for every joint.
    least_margin_deg : (J, 6), near_lock : (J, 6)
        Margin over all shots, and share of the time within 15° of the lock, of all six orders.
    """

    swing_twist_deg: Array
    swing_channel: Indices
    order: tuple[str, ...]
    least_margin_deg: Array
    near_lock: Array

    @property
    def orders(self) -> tuple[str, ...]:
        """The six orders, as the columns are."""
        return ORDERS


def advise(measures: PooledMeasures) -> Advice:
    """Return advice for the joints of a rig.

    Notes
    -----
    The main swing is the first principal axis of the rotation vectors' part across the limb, jitter left out;
    the turn about the limb itself has no part in it. The nearest of the four half-axes across the limb takes
    it, so the turn is at most 45°.
    """
    joints = len(measures.kind)
    twist, channel = np.full(joints, np.nan), np.full(joints, -1, dtype=np.int64)
    rows = np.flatnonzero(
        measures.second_freedom
        & np.isfinite(measures.main_swing[:, 0])
        & (measures.swing_ratio >= CLEAR_SWING)
        & (measures.range_deg >= measures.settings.suggestion_range_deg)
    )
    if len(rows):
        turn = offsets.twist_offset(measures.main_swing[rows].T, measures.limb_axis[rows].T)
        twist[rows], channel[rows] = np.rad2deg(turn.offset), turn.target_axis
    return Advice(
        twist, channel, measures.steadiest_order, measures.least_margin_deg, measures.near_lock
    )
