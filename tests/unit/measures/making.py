"""Shots of one limb for the tests of the measures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from audit.model import Shot, Skeleton
from audit.rotations import multiply, quaternion_from_rotation_vector
from tests.strategies import Array

KNEE = 1
IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])


def turn(axis: npt.ArrayLike, degrees: npt.ArrayLike) -> Array:
    """Return turns about an axis of any length: (4,) for one angle, (4, F) for many."""
    direction = np.asarray(axis, dtype=np.float64)
    angles = np.deg2rad(np.asarray(degrees, dtype=np.float64))
    unit = direction / np.linalg.norm(direction)
    return quaternion_from_rotation_vector(unit.reshape(3, *(1,) * angles.ndim) * angles)


def limb_of(
    quaternion: Array,
    *,
    order: str | None = None,
    limb: Sequence[float] | Array = (0.0, -1.0, 0.0),
    rest: Array | None = None,
    times: Array | None = None,
    name: str = "L_Knee",
) -> Shot:
    """Return a still thigh, a joint that turns away from its rest as given (4, F), and a still end."""
    frames = quaternion.shape[1]
    rests = np.tile(IDENTITY, (3, 1))
    if rest is not None:
        rests[KNEE] = rest
    skeleton = Skeleton(
        ("L_Thigh", name, "L_End"),
        np.array([-1, 0, 1]),
        np.array([[0.0, 2.0, 0.0], [0.0, -1.0, 0.0], np.asarray(limb, dtype=np.float64)]),
        rests,
        (order,) * 3,
    )
    rotations = np.tile(IDENTITY, (frames, 3, 1))
    rotations[:, KNEE] = multiply(rests[KNEE][:, None], quaternion).T
    clock = np.linspace(0.0, 4.0, frames) if frames > 1 else np.zeros(1)
    return Shot(skeleton, clock if times is None else times, rotations=rotations)
