"""Small shots of one small rig, for the examples that every check of a rig carries."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.model import Shot, Skeleton, Source
from audit.rotations import conjugate, multiply, quaternion_from_rotation_vector

Array = npt.NDArray[np.float64]

NAMES = (
    "Spine",
    "L_Shoulder",
    "L_Elbow",
    "L_Hand",
    "L_Finger1",
    "L_Finger2",
    "R_Shoulder",
    "R_Elbow",
    "R_Hand",
)
PARENTS = (-1, 0, 1, 2, 3, 4, 0, 6, 7)


def arm_shot(
    number: int,
    *,
    twist_deg: float = 0.0,
    left_twist_deg: float = 0.0,
    rest_deg: float = 0.0,
    chain_deg: float = 0.0,
    frames: int = 120,
) -> Shot:
    """Return a shot of two arms that bend at the elbow, with a little noise.

    Every joint's limb lies along its X, and the elbows bend about their Z.

    Parameters
    ----------
    number
        Which shot it is: seed of the noise and phase of the bend.
    twist_deg
        Turn about the limb of the axis that the left elbow bends about, in this shot.
    left_twist_deg
        The same, as a property of the rig: one side is set up otherwise.
    rest_deg
        Turn of the left elbow's rest frame about its limb.
    chain_deg
        Turn of the second finger joint's axes about its limb.
    frames
        Number of frames.
    """
    generator = np.random.default_rng(number)
    world = np.stack([_world(name) for name in NAMES], axis=1)
    world[:, 2] = multiply(world[:, 2], _about_limb(rest_deg))
    world[:, 5] = multiply(world[:, 5], _about_limb(chain_deg))
    rest = world.copy()
    offsets = np.zeros((len(NAMES), 3))
    for joint, parent in enumerate(PARENTS):
        if parent >= 0:
            rest[:, joint] = multiply(conjugate(world[:, parent]), world[:, joint])
            offsets[joint] = (1.0, 0.0, 0.0)
    offsets[[1, 6]] = ((0.4, 1.0, 0.0), (-0.4, 1.0, 0.0))
    skeleton = Skeleton(
        NAMES,
        np.array(PARENTS),
        offsets,
        rest.T,
        (None,) * len(NAMES),
        tip_joints=np.array([5, 8]),
        tip_offsets=np.array([[0.5, 0.0, 0.0], [0.5, 0.0, 0.0]]),
    )
    phase = np.linspace(0.0, 4.0 * np.pi, frames) + number
    bend = np.deg2rad(30.0 + 28.0 * np.sin(phase))
    rotations = np.tile(rest[:, :, None], (1, 1, frames))
    for joint, twist in ((2, twist_deg + left_twist_deg - rest_deg), (7, 0.0)):
        radians = np.deg2rad(twist)
        axis = np.array([0.0, -np.sin(radians), np.cos(radians)])
        vector = axis[:, None] * bend + np.deg2rad(generator.normal(0.0, 0.2, (3, frames)))
        rotations[:, joint] = multiply(
            rest[:, joint, None], quaternion_from_rotation_vector(vector)
        )
    return Shot(
        skeleton,
        np.arange(frames) / 24.0,
        Source(f"arms {number}"),
        rotations=np.transpose(rotations, (2, 1, 0)),
    )


def _world(name: str) -> Array:
    """Return the rest rotation of a joint in the world (4,): mirrored for the right side."""
    if name == "Spine":
        return np.array([0.0, 0.0, 0.0, 1.0])
    # Left: X along the arm, Z up. Right: X along that arm, Z down, so that the same value bends both alike.
    if name.startswith("L"):
        return np.array([0.0, 0.0, 0.0, 1.0])
    return np.array([0.0, 1.0, 0.0, 0.0])


def _about_limb(angle_deg: float) -> Array:
    """Return a turn about the limb (4,)."""
    vector = np.array([np.deg2rad(angle_deg), 0.0, 0.0])
    return quaternion_from_rotation_vector(vector)
