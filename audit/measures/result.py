"""What is measured of the joints of a shot, as arrays over the joints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.measures.spread import Cost
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Measures:
    """Everything that is measured on the J joints of a shot.

    Degrees; NaN or None where a figure does not exist. The definitions stand in the docs, page "Measures".

    Attributes
    ----------
    settings
        With which they were measured.
    orders, orders_from
        Rotation order of each joint, and whether the ``file`` states it, it was ``given``, or is the ``best``
        of the six.
    kind
        ``still``, ``hinge``, ``two-axis`` or ``free``.
    range_deg, off_axis_deg : (J,)
        Excursion along the first axis; root mean square of the rest.
    shares : (J, 3)
        Share of the motion on each principal axis.
    excursion_deg : (J, 2)
        Least and greatest turn about the first axis, counted from rest.
    hinge_axis, limb_axis : (J, 3)
        Unit vectors in the joint's own axes.
    hinge_axis_interval_deg : (J,)
        Half-angle of the cone that holds the axis with the wanted confidence.
    aim_error_deg, residual_deg : (J,)
        How far the nearest principal axis is from the limb; what no twist removes.
    now, after_twist, after_full
        Cost as it is, after the twist offset in the present order, and after the full correction in the
        advised order. NaN for joints without an offset.
    twist_offset_deg : (J,), twist_interval_deg : (J, 2)
        The suggestion and its interval.
    no_offset_because
        Why there is none.
    full_offset_xyzw : (J, 4)
        New axes of the full correction as a quaternion in the joint's present axes.
    advised_order
        With the hinge channel innermost.
    target_axis : (J,)
        Principal axis that carries the hinge after the twist, −1 where there is no offset.
    causes : (J, 4)
        Where ``channel_spread − 1`` comes from: twist, aim, order, own.
    gimbal_margin_deg : (J,)
        Least distance of the middle channel from ±90°.
    near_lock : (J,)
        Share of the frames with a margin under 15°.
    wrap_jumps : (J,)
        Keys at which the file's curves leap although the pose does not.
    """

    settings: Settings
    orders: tuple[str, ...]
    orders_from: tuple[str, ...]
    kind: tuple[str, ...]
    range_deg: Array
    shares: Array
    off_axis_deg: Array
    excursion_deg: Array
    hinge_axis: Array
    hinge_axis_interval_deg: Array
    limb_axis: Array
    aim_error_deg: Array
    residual_deg: Array
    now: Cost
    twist_offset_deg: Array
    twist_interval_deg: Array
    no_offset_because: tuple[str | None, ...]
    after_twist: Cost
    full_offset_xyzw: Array
    advised_order: tuple[str | None, ...]
    target_axis: Indices
    after_full: Cost
    causes: Array
    gimbal_margin_deg: Array
    near_lock: Array
    wrap_jumps: Indices

    @property
    def has_offset(self) -> npt.NDArray[np.bool_]:
        """Which joints (J,) have a suggested offset."""
        return ~np.isnan(self.twist_offset_deg)


@dataclass(frozen=True, eq=False)
class JointCurves:
    """The channel curves of one joint, in degrees, X, Y and Z channel in this order.

    Attributes
    ----------
    now : (3, F)
        As they are.
    after_twist, after_full : (3, F)
        As they would be; None where there is no offset.
    """

    now: Array
    after_twist: Array | None
    after_full: Array | None
