"""Wrackle's rig: joints, rest positions, rotation orders, and which joint is a hinge about which axis.

The zero pose hangs from a crane hook: facing +Z, up is +Y, left is +X, lengths in centimetres. Every limb lies
along one axis of the world (legs down, toes pointing down, arms to the sides, tail straight back), so that a
turn about the limb leaves the aim of every joint clean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.model import Skeleton

THIGH, SHANK, FOOT, TOE = 84.0, 96.0, 58.0, 34.0
"""Lengths of the leg: hip to knee, knee to ankle, ankle to toe hinge, toe hinge to toe tip."""

HIP_WIDTH, HIP_DROP = 24.0, -4.0
"""Where a hip sits, sideways and upwards from the pelvis."""

NECK_CANT = 9.0
"""Degrees by which the folding joint of the neck is built in sideways: a constant on its outer channels."""

DEEPEST_FOLD = 115.0
"""Degrees to which it folds."""

Offset = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class PlannedJoint:
    """One joint of the clean rig.

    Attributes
    ----------
    name, parent
        Names; the parent is None for the root.
    offset
        Rest position in the parent's axes, centimetres.
    order
        Rotation order. A hinge has its own axis last, so that it turns on the innermost channel.
    hinge
        The axis letter of a hinge, None for the other joints.
    tip
        End point of a leaf, in the joint's own axes.
    """

    name: str
    parent: str | None
    offset: Offset
    order: str
    hinge: str | None = None
    tip: Offset | None = None


def _arm(side: str, sign: float) -> tuple[PlannedJoint, ...]:
    """Return one arm, pointing sideways: the elbow bends about Y, the fingers curl about Z."""
    joints = [
        PlannedJoint(f"{side}_Shoulder", "Chest", (sign * 32.0, 22.0, 0.0), "ZYX"),
        PlannedJoint(f"{side}_Elbow", f"{side}_Shoulder", (sign * 60.0, 0.0, 0.0), "XZY", "Y"),
        PlannedJoint(f"{side}_Wrist", f"{side}_Elbow", (sign * 56.0, 0.0, 0.0), "ZXY"),
    ]
    # The middle finger is the longest, which makes it the wrist's main child.
    for finger, sideways, lengths in (
        (1, 11.0, (14.0, 13.0, 11.0)),
        (2, 0.0, (17.0, 14.0, 12.0, 10.0)),
        (3, -11.0, (14.0, 13.0, 11.0)),
    ):
        parent = f"{side}_Wrist"
        for number, length in enumerate(lengths[:-1], start=1):
            last = number == len(lengths) - 1
            joints.append(
                PlannedJoint(
                    f"{side}_Finger{finger}_{number}",
                    parent,
                    (sign * length, 0.0, sideways if number == 1 else 0.0),
                    "XYZ",
                    "Z",
                    (sign * lengths[-1], 0.0, 0.0) if last else None,
                )
            )
            parent = joints[-1].name
    return tuple(joints)


def _leg(side: str, sign: float) -> tuple[PlannedJoint, ...]:
    """Return one leg, pointing down: knee and toe are hinges about X."""
    return (
        PlannedJoint(f"{side}_Hip", "Pelvis", (sign * HIP_WIDTH, HIP_DROP, 0.0), "XZY"),
        PlannedJoint(f"{side}_Knee", f"{side}_Hip", (0.0, -THIGH, 0.0), "YZX", "X"),
        PlannedJoint(f"{side}_Ankle", f"{side}_Knee", (0.0, -SHANK, 0.0), "XYZ"),
        PlannedJoint(
            f"{side}_Toe", f"{side}_Ankle", (0.0, -FOOT, 0.0), "YZX", "X", (0.0, -TOE, 0.0)
        ),
    )


JOINTS: tuple[PlannedJoint, ...] = (
    PlannedJoint("Pelvis", None, (0.0, 0.0, 0.0), "YXZ"),
    PlannedJoint("Spine1", "Pelvis", (0.0, 22.0, 0.0), "YXZ"),
    PlannedJoint("Chest", "Spine1", (0.0, 36.0, 0.0), "YXZ"),
    PlannedJoint("Neck1", "Chest", (0.0, 34.0, 0.0), "XZY"),
    PlannedJoint("Neck2", "Neck1", (0.0, 72.0, 0.0), "ZYX", "X"),
    PlannedJoint("Head", "Neck2", (0.0, 84.0, 0.0), "XYZ"),
    PlannedJoint("Beak", "Head", (0.0, 0.0, 12.0), "YZX", None, (0.0, 0.0, 64.0)),
    PlannedJoint("Jaw", "Head", (0.0, -6.0, 9.0), "YZX", "X", (0.0, 0.0, 54.0)),
    *_arm("L", 1.0),
    *_arm("R", -1.0),
    *_leg("L", 1.0),
    *_leg("R", -1.0),
    PlannedJoint("Tail1", "Pelvis", (0.0, 4.0, -22.0), "XYZ"),
    PlannedJoint("Tail2", "Tail1", (0.0, 0.0, -34.0), "YZX", "X"),
    PlannedJoint("Tail3", "Tail2", (0.0, 0.0, -30.0), "YZX", "X"),
    PlannedJoint("Tail4", "Tail3", (0.0, 0.0, -26.0), "YZX", "X", (0.0, 0.0, -24.0)),
)
"""The clean rig, every joint followed by everything below it, as a file with nested joints lists them."""

PLACES: dict[str, int] = {joint.name: place for place, joint in enumerate(JOINTS)}
"""Place of each joint in the arrays."""

HINGES: dict[str, str] = {joint.name: joint.hinge for joint in JOINTS if joint.hinge}
"""Axis letter of every hinge of the clean rig."""


def clean_skeleton() -> Skeleton:
    """Return the clean rig: every joint's axes are aligned with the world in the zero pose."""
    leaves = [joint for joint in JOINTS if joint.tip]
    return Skeleton(
        names=tuple(joint.name for joint in JOINTS),
        parents=np.array([PLACES[joint.parent] if joint.parent else -1 for joint in JOINTS]),
        offsets=np.array([joint.offset for joint in JOINTS]),
        rest_xyzw=np.tile([0.0, 0.0, 0.0, 1.0], (len(JOINTS), 1)),
        orders=tuple(joint.order for joint in JOINTS),
        tip_joints=np.array([PLACES[joint.name] for joint in leaves]),
        tip_offsets=np.array([joint.tip for joint in leaves]),
    )
