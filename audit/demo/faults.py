"""What was done to the clean rig to make the messy one, and the list of it.

Turning the axes of the joints by ``A`` turns world rotations into ``W A``. Local rotations then become
``A_parent⁻¹ R A``, offsets ``A_parent⁻¹ t``, and every joint stays where it was in the world: same motion,
other curves. Below the top of a limb all joints share one ``A``, so a hinge stays a plain hinge on turned axes;
the constant that is left over sits in the free joint on top.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.conventions import axis_indices
from audit.demo.rig import DEEPEST_FOLD, HINGES, JOINTS, PLACES, clean_skeleton
from audit.demo.strike import BACK_BEND, WAG
from audit.model import Skeleton
from audit.model.skeleton import Array
from audit.rotations import (
    angles_from_quaternion,
    conjugate,
    continuous_angles,
    multiply,
    quaternion_from_angles,
    quaternion_from_rotation_vector,
    rotate,
)

MESSY_DECIMALS = 8
"""Decimals of channels that are worked out from the clean ones. With six, joints of the two rigs lie up to
6e-9 of the height apart, with eight 6e-11."""

FOLDING_JOINT, FOLDING_ORDER = "Neck2", "ZXY"
WAGGING_JOINT = "R_Finger3_2"
WRAPPED_JOINT = "Pelvis"
BACK_BENT_JOINT = "R_Knee"


@dataclass(frozen=True, slots=True)
class TurnedLimb:
    """A limb of the messy rig whose axes are turned.

    Attributes
    ----------
    top
        The free joint that the limb hangs from.
    twist_deg
        Turn of the axes about the limb, right-handed about the direction from joint to child.
    swing_deg, swing_axis
        Turn that comes on top and tips the axes off the limb.
    """

    top: str
    twist_deg: float
    swing_deg: float = 0.0
    swing_axis: tuple[float, float, float] = (1.0, 0.0, 0.0)

    def axes(self, skeleton: Skeleton) -> Array:
        """Return the turn as a quaternion (4,) in the clean axes."""
        limb = skeleton.limb_axes[PLACES[self.top]]
        twist = quaternion_from_rotation_vector(limb * np.deg2rad(self.twist_deg))
        swing = np.array(self.swing_axis) * np.deg2rad(self.swing_deg)
        return multiply(quaternion_from_rotation_vector(swing), twist)

    def joints(self) -> tuple[str, ...]:
        """Return the top joint and everything below it."""
        inside = {self.top}
        for joint in JOINTS:
            if joint.parent in inside:
                inside.add(joint.name)
        return tuple(joint.name for joint in JOINTS if joint.name in inside)


TURNED_LIMBS: tuple[TurnedLimb, ...] = (
    TurnedLimb("L_Hip", -33.0),
    TurnedLimb("R_Hip", 21.0),
    TurnedLimb("L_Shoulder", 38.0),
    TurnedLimb("R_Shoulder", 12.0),
    TurnedLimb("Tail1", 18.0, swing_deg=12.0, swing_axis=(0.6, 0.8, 0.0)),
)
"""Neck, head and jaw are left clean."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that is wrong with one joint, on purpose.

    Attributes
    ----------
    files
        The shots that show it.
    joint
        Name of the joint.
    kind
        ``twist``, ``aim``, ``order``, ``two-axis``, ``wrap jump`` or ``back-bend``.
    degrees
        Turn of the axes about the limb, which the opposite turn mends; tip of the axes off the limb; deepest
        bend on the middle channel; sideways range; size of the leap; bend past straight.
    """

    files: tuple[str, ...]
    joint: str
    kind: str
    degrees: float


def built_in_faults() -> tuple[Fault, ...]:
    """Return everything that is wrong in the messy shots, joint by joint."""
    wading, striking = ("wade_messy.bvh",), ("strike_messy.bvh",)
    both = wading + striking
    faults = []
    for limb in TURNED_LIMBS:
        for joint in limb.joints():
            if joint not in HINGES:
                continue
            shots = wading if joint == WAGGING_JOINT else both
            faults.append(Fault(shots, joint, "twist", limb.twist_deg))
            if limb.swing_deg:
                faults.append(Fault(shots, joint, "aim", limb.swing_deg))
    return (
        *faults,
        Fault(both, FOLDING_JOINT, "order", DEEPEST_FOLD),
        Fault(striking, WAGGING_JOINT, "two-axis", 2.0 * WAG),
        Fault(wading, WRAPPED_JOINT, "wrap jump", 360.0),
        Fault(striking, BACK_BENT_JOINT, "back-bend", BACK_BEND),
    )


def _turned_axes() -> Array:
    """Return the turn of every joint's axes (4, J), the identity for joints that are left clean."""
    clean = clean_skeleton()
    axes = np.tile([[0.0], [0.0], [0.0], [1.0]], len(JOINTS))
    for limb in TURNED_LIMBS:
        places = [PLACES[joint] for joint in limb.joints()]
        axes[:, places] = limb.axes(clean)[:, None]
    return axes


def _parent_axes(axes: Array) -> Array:
    """Return the turn of every joint's parent (4, J), the identity above a root."""
    world = np.array([[0.0], [0.0], [0.0], [1.0]])
    return np.concatenate([axes, world], axis=1)[:, clean_skeleton().parents]


def messy_skeleton() -> Skeleton:
    """Return the clean rig with the axes of its limbs turned, and one joint in another rotation order."""
    clean, axes = clean_skeleton(), _turned_axes()
    offsets = rotate(conjugate(_parent_axes(axes)), clean.offsets.T)
    tips = rotate(conjugate(axes[:, clean.tip_joints]), clean.tip_offsets.T)
    orders = list(clean.orders)
    orders[PLACES[FOLDING_JOINT]] = FOLDING_ORDER
    # Adding 0 turns a rounded −0 into 0.
    return Skeleton(
        names=clean.names,
        parents=clean.parents,
        offsets=np.round(offsets.T, 10) + 0.0,
        rest_xyzw=clean.rest_xyzw,
        orders=tuple(orders),
        tip_joints=clean.tip_joints,
        tip_offsets=np.round(tips.T, 10) + 0.0,
    )


def messy_angles(clean_angles: Array) -> Array:
    """Return the channels that make the messy rig do what the clean rig does.

    Parameters
    ----------
    clean_angles : (J, 3, F)
        Degrees about X, Y and Z, in the rotation orders of the clean rig.

    Returns
    -------
    (J, 3, F)
        The same for the messy rig, with the heading of the root written within ±180°.
    """
    axes = _turned_axes()
    above = _parent_axes(axes)
    result = clean_angles.copy()
    for joint, planned in enumerate(JOINTS):
        old, new = planned.order, FOLDING_ORDER if planned.name == FOLDING_JOINT else planned.order
        if old == new and axes[3, joint] == above[3, joint] == 1.0:
            continue
        curves = np.deg2rad(clean_angles[joint][list(axis_indices(old))])
        rotation = multiply(
            multiply(conjugate(above[:, joint, None]), quaternion_from_angles(curves, old)),
            axes[:, joint, None],
        )
        curves = continuous_angles(angles_from_quaternion(rotation, new))
        result[joint, list(axis_indices(new))] = np.rad2deg(curves)
    root = result[PLACES[WRAPPED_JOINT]]
    root[1] = (root[1] + 180.0) % 360.0 - 180.0
    return np.round(result, MESSY_DECIMALS) + 0.0
