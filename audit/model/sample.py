"""Small shots with known answers, for the examples that every check carries."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from audit.conventions import axis_indices
from audit.model.shot import Channels, Shot, Source
from audit.model.skeleton import Skeleton
from audit.rotations import (
    angles_from_quaternion,
    continuous_angles,
    quaternion_from_rotation_vector,
)

Array = npt.NDArray[np.float64]


def limb_shot(
    angles_deg: npt.ArrayLike,
    *,
    name: str = "L_Knee",
    order: str = "YZX",
    seconds: float = 4.0,
) -> Shot:
    """Return a shot of one limb: a still thigh, a joint with the given channels, and a still end joint.

    The limb hangs along −Y: each joint sits one unit below its parent.

    Parameters
    ----------
    angles_deg : (F, 3)
        X, Y and Z channel of the middle joint, in degrees.
    name
        Name of the middle joint.
    order
        Rotation order of all joints.
    seconds
        Length of the shot.
    """
    angles = np.asarray(angles_deg, dtype=np.float64)
    frames = len(angles)
    values = np.zeros((frames, 9))
    values[:, 3:6] = angles
    skeleton = Skeleton.plain(
        ["L_Thigh", name, "L_End"],
        [-1, 0, 1],
        [[0.0, 2.0, 0.0], [0.0, -1.0, 0.0], [0.0, -1.0, 0.0]],
        orders=order,
    )
    columns = np.arange(9).reshape(3, 3)
    return Shot(
        skeleton,
        np.linspace(0.0, seconds, frames),
        Source("sample"),
        Channels(values, columns, np.full((3, 3), -1)),
    )


def hinge_channels(axis: Sequence[float], bend_deg: npt.ArrayLike, order: str = "YZX") -> Array:
    """Return the channels of a hinge.

    Parameters
    ----------
    axis : (3,)
        Hinge axis in the joint's own axes; any length but zero.
    bend_deg : (F,)
        Turn about it from rest.
    order
        Rotation order.

    Returns
    -------
    (F, 3)
        X, Y and Z channel in degrees, continuous.
    """
    direction = np.asarray(axis, dtype=np.float64)
    direction = direction / np.linalg.norm(direction)
    bend = np.deg2rad(np.asarray(bend_deg, dtype=np.float64))
    quaternion = quaternion_from_rotation_vector(direction[:, None] * bend)
    curves = continuous_angles(angles_from_quaternion(quaternion, order))
    return np.rad2deg(curves[np.argsort(axis_indices(order))].T)


def bend(low: float = 0.0, high: float = 70.0, frames: int = 97) -> Array:
    """Return a smooth bend (F,) in degrees that goes from low to high and back, twice."""
    phase = np.linspace(0.0, 4.0 * np.pi, frames)
    result: Array = low + (high - low) * 0.5 * (1.0 - np.cos(phase))
    return result
