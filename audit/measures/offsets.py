"""How far the axes of a hinge are off, and the turn that puts them right.

Everything here is about N joints at once and takes directions in the joint's own axes, component first.
"New axes A" means ``Q' = A⁻¹ Q A``: the joint's axes are turned by A, and a direction d is seen from the new
axes as ``A⁻¹ d``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES, ORDERS
from audit.rotations import (
    matrix_from_quaternion,
    middle_angle_sine,
    multiply,
    quaternion_between,
    quaternion_from_rotation_vector,
)
from audit.rotations.quaternions import cross

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Twist:
    """The twist offset of N hinges.

    Attributes
    ----------
    offset : (N,)
        Radians, right-handed about the limb axis: how far the joint's axes must turn.
    target_axis : (N,)
        Principal axis (0 X, 1 Y, 2 Z) that the hinge then lies nearest to.
    gradient : (3, N)
        Change of the offset with the hinge axis, at right angles to it: what certainty needs.
    """

    offset: Array
    target_axis: Indices
    gradient: Array


def aim_error(limb: Array) -> tuple[Array, Array]:
    """Return how far the nearest principal half-axis is from the limb, and which one it is.

    Parameters
    ----------
    limb : (3, N)
        Limb axes, unit vectors.

    Returns
    -------
    angle : (N,)
        Radians.
    half_axis : (3, N)
        The nearest principal half-axis, a signed unit vector.
    """
    nearest = np.argmax(np.abs(limb), axis=0)
    along = np.take_along_axis(limb, nearest[None], axis=0)[0]
    half_axis = np.where(np.arange(3)[:, None] == nearest, np.sign(along), 0.0)
    across = np.sqrt(np.maximum(np.sum(limb * limb, axis=0) - along * along, 0.0))
    return np.arctan2(across, np.abs(along)), half_axis


def residual(hinge: Array, limb: Array) -> Array:
    """Return the part of the hinge axis that lies along the limb, as an angle (N,) in radians.

    No turn about the limb removes it: it is the angle between the hinge axis and the plane across the limb.
    """
    along = np.abs(np.sum(hinge * limb, axis=0))
    across = np.sqrt(np.sum(cross(limb, hinge) ** 2, axis=0))
    angle: Array = np.arctan2(along, across)
    return angle


def twist_offset(hinge: Array, limb: Array, axes: Array | None = None) -> Twist:
    """Return the turn about the limb that brings a cross axis as near to the hinge axis as it can come.

    Parameters
    ----------
    hinge, limb : (3, N)
        Hinge and limb axes, unit vectors in the joint's own axes.
    axes : (3, 3, N)
        The joint's axes as columns (component, axis, joint) where they are not the present ones.

    Returns
    -------
    Twist
        The smallest such turn over the four half-axes of the two principal axes least aligned with the limb.
        Where the limb lies along the third one, at most 45°.

    Notes
    -----
    With ``A = exp(u θ)`` the angle between the hinge and the turned half-axis ``A t`` is least where their
    shadows on the plane across the limb coincide: θ is the angle from the shadow of ``t`` to the shadow of
    the hinge. With the limb on Y and the target Z, ``θ = atan2(a_x, a_z)``. The idea of choosing the twist
    that leaves least motion off the hinge is Baker's (R. Baker, L. Finney, J. Orr, Human Movement Science
    18, 1999); here it has a closed form because the hinge axis is fitted first.
    """
    joints = hinge.shape[1]
    frame = np.broadcast_to(np.eye(3)[:, :, None], (3, 3, joints)) if axes is None else axes
    alignment = np.abs(np.einsum("can,cn->an", frame, limb))
    candidates = np.argsort(alignment, axis=0, kind="stable")[:2]  # (2, N)
    best = np.full(joints, np.inf)
    target = np.zeros(joints, dtype=np.int64)
    gradient = np.zeros((3, joints))
    for row, sign in product(candidates, (1.0, -1.0)):
        half_axis = sign * np.take_along_axis(frame, row[None, None], axis=1)[:, 0]
        flat = half_axis - limb * np.sum(half_axis * limb, axis=0)
        flat = flat / np.sqrt(np.sum(flat * flat, axis=0))
        side = cross(limb, flat)
        along, across = np.sum(hinge * flat, axis=0), np.sum(hinge * side, axis=0)
        angle = np.arctan2(across, along)
        nearer = np.abs(angle) < np.abs(best) - 1e-12
        best = np.where(nearer, angle, best)
        target = np.where(nearer, row, target)
        shadow = np.maximum(along * along + across * across, 1e-300)
        gradient = np.where(nearer, (along * side - across * flat) / shadow, gradient)
    return Twist(offset=best, target_axis=target, gradient=gradient)


def axes_after_twist(limb: Array, offset: Array) -> Array:
    """Return the new axes ``A = exp(u θ)`` as quaternions (4, N)."""
    return quaternion_from_rotation_vector(limb * offset)


def axes_after_full(hinge: Array, limb: Array) -> tuple[Array, Indices]:
    """Return the new axes of the full correction: aim first, then twist.

    Parameters
    ----------
    hinge, limb : (3, N)
        Unit vectors in the joint's present axes.

    Returns
    -------
    axes : (4, N)
        Quaternions: the smallest turn that brings the nearest principal axis onto the limb, then the twist
        about the limb.
    target_axis : (N,)
        Principal axis that carries the hinge afterwards.
    """
    _, half_axis = aim_error(limb)
    aimed = quaternion_between(half_axis, limb)
    twist = twist_offset(hinge, limb, matrix_from_quaternion(aimed))
    return multiply(axes_after_twist(limb, twist.offset), aimed), twist.target_axis


@dataclass(frozen=True, slots=True)
class Convention:
    """Which axes N joints are to have, where somebody has agreed on that.

    Attributes
    ----------
    limb_axis, hinge_axis : (N,)
        Principal axis (0 X, 1 Y, 2 Z) that is to lie along the limb, and that is to carry the hinge; −1 for the
        nearest.
    limb_sign, bend_sign : (N,)
        1 where the positive half-axis is to point along the limb, and where the larger turn from rest is to
        be positive; −1 the other way; 0 for the nearer.
    """

    limb_axis: Indices
    limb_sign: Indices
    hinge_axis: Indices
    bend_sign: Indices


def axes_by_convention(
    hinge: Array, limb: Array, convention: Convention, aim_limit: float
) -> tuple[Array, Array, Indices]:
    """Return the axes that joints are to have by convention.

    Parameters
    ----------
    hinge, limb : (3, N)
        Unit vectors in the joint's present axes; the hinge axis with the sign that makes the larger turn from
        rest positive.
    convention
        What is agreed. A joint without anything agreed gets what it would get without a convention.
    aim_limit : float
        Radians: a half-axis nearer to the limb than this counts as lying along it.

    Returns
    -------
    aim : (4, N)
        The smallest turn that brings the wanted half-axis onto the limb; identity where it lies there.
    twist : (N,)
        Turn about the limb after that, in radians, right-handed, up to half a turn: the new axes are
        ``exp(u θ) · aim``.
    target_axis : (N,)
        Principal axis that carries the hinge afterwards.
    """
    joints = hinge.shape[1]
    wanted = convention.limb_axis
    along = np.where(wanted >= 0, wanted, np.argmax(np.abs(limb), axis=0))
    part = np.take_along_axis(limb, along[None], axis=0)[0]
    sign = np.where(
        (wanted >= 0) & (convention.limb_sign != 0), convention.limb_sign, np.sign(part)
    )
    half_axis = np.where(np.arange(3)[:, None] == along, np.where(sign == 0.0, 1.0, sign), 0.0)
    identity = np.array([0.0, 0.0, 0.0, 1.0])[:, None]
    near = np.sum(half_axis * limb, axis=0) > np.cos(aim_limit)
    aim = np.where(near, identity, quaternion_between(half_axis, limb))
    frames = matrix_from_quaternion(aim)  # (component, axis, joint)
    best = np.full(joints, np.inf)
    target = np.full(joints, -1, dtype=np.int64)
    for axis, way in product(range(3), (1, -1)):
        asked = convention.hinge_axis
        allowed = (axis != along) & ((asked < 0) | (asked == axis) | (asked == along))
        allowed &= (convention.bend_sign == 0) | (convention.bend_sign == way)
        arm = way * frames[:, axis]
        flat = arm - limb * np.sum(arm * limb, axis=0)
        size = np.sqrt(np.sum(flat * flat, axis=0))
        flat = flat / np.where(size > 0.0, size, 1.0)
        angle = np.arctan2(np.sum(hinge * cross(limb, flat), axis=0), np.sum(hinge * flat, axis=0))
        nearer = allowed & (size > 0.0) & (np.abs(angle) < np.abs(best) - 1e-12)
        best, target = np.where(nearer, angle, best), np.where(nearer, axis, target)
    return aim, best, target


def orders_with_inner(axis: int) -> tuple[str, str]:
    """Return the two rotation orders whose innermost channel is the given axis (0 X, 1 Y, 2 Z)."""
    first, second = (order for order in ORDERS if order[2] == AXES[axis])
    return first, second


def gimbal_margin(quaternion: Array, order: str) -> Array:
    """Return the least distance (N,) in radians of the middle channel from ±90°, over all keys.

    Parameters
    ----------
    quaternion : (4, N, F)
        Unit quaternions.
    order
        Rotation order.
    """
    sine = np.max(np.abs(middle_angle_sine(quaternion, order)), axis=-1)
    margin: Array = 0.5 * np.pi - np.arcsin(sine)
    return margin
