"""Unit quaternions, component first: arrays of shape (4, ...) holding x, y, z, w.

Why component first: see :mod:`audit.conventions`. Every function takes any trailing shape, broadcasts the
usual way, and never changes its input.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def multiply(left: Array, right: Array) -> Array:
    """Return the Hamilton product: the rotation that applies ``right`` first, then ``left``.

    Parameters
    ----------
    left, right : (4, ...)
        Quaternions x, y, z, w; trailing shapes broadcast.

    Returns
    -------
    (4, ...)

    References
    ----------
    W. R. Hamilton's product, as in K. Shoemake, "Animating rotation with quaternion curves",
    SIGGRAPH 1985.
    """
    ax, ay, az, aw = left
    bx, by, bz, bw = right
    return np.stack(
        (
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
            aw * bw - ax * bx - ay * by - az * bz,
        )
    )


def conjugate(quaternion: Array) -> Array:
    """Return the inverse rotation of unit quaternions (4, ...)."""
    x, y, z, w = quaternion
    return np.stack((-x, -y, -z, w))


def rotate(quaternion: Array, vector: Array) -> Array:
    """Return vectors (3, ...) turned by unit quaternions (4, ...), as column vectors.

    Uses ``v + 2w (q × v) + 2 q × (q × v)`` with q the vector part, which is the matrix product written out.
    """
    axis, w = quaternion[:3], quaternion[3]
    once = 2.0 * cross(axis, vector)
    turned = w * once + cross(axis, once)
    return np.stack([component + change for component, change in zip(vector, turned, strict=True)])


def matrix_from_quaternion(quaternion: Array) -> Array:
    """Return rotation matrices (3, 3, ...) of unit quaternions (4, ...): row, column, then the rest."""
    x, y, z, w = quaternion
    return np.stack(
        (
            np.stack((1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y))),
            np.stack((2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x))),
            np.stack((2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y))),
        )
    )


def cross(left: Array, right: Array) -> Array:
    """Return the cross product of vectors (3, ...), component first."""
    ax, ay, az = left
    bx, by, bz = right
    return np.stack((ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx))


def rotation_vector_from_quaternion(quaternion: Array) -> Array:
    """Return rotation vectors (axis times angle), the short way round.

    Parameters
    ----------
    quaternion : (4, ...)
        Unit quaternions; q and −q give the same vector.

    Returns
    -------
    (3, ...)
        Radians, length 0 to π. A rotation by exactly π has two answers; the one along the quaternion's own
        vector part is given.

    Notes
    -----
    ``2·atan2(|v|, |w|)`` keeps full precision for small turns, where ``2·arccos(w)`` returns 0 for a turn of
    1e-9 rad. The logarithm map is the one in F. S. Grassia, "Practical parameterization of rotations
    using the exponential map", J. Graphics Tools 3(3), 1998.
    """
    x, y, z, w = quaternion
    sine = np.sqrt(x * x + y * y + z * z)
    angle = 2.0 * np.arctan2(sine, np.abs(w))
    # Below 1e-150 the division would underflow; there the vector is 2·(x, y, z) to full precision.
    factor = np.where(sine > 1e-150, angle / np.maximum(sine, 1e-150), 2.0)
    factor = np.where(w < 0.0, -factor, factor)
    return np.stack((x * factor, y * factor, z * factor))


def quaternion_from_rotation_vector(vector: Array) -> Array:
    """Return unit quaternions (4, ...) of rotation vectors (3, ...) in radians (exponential map)."""
    angle = np.sqrt(np.sum(vector * vector, axis=0))
    # sinc keeps the small-angle limit exact: sin(a/2)/a = sinc(a / 2π) / 2.
    factor = 0.5 * np.sinc(angle / (2.0 * np.pi))
    return np.concatenate((vector * factor, np.cos(0.5 * angle)[None]))


def quaternion_between(start: Array, end: Array) -> Array:
    """Return the smallest rotation that carries one direction onto another.

    Parameters
    ----------
    start, end : (3, ...)
        Unit vectors. Where they are opposite, any axis at right angles does; one is chosen.

    Returns
    -------
    (4, ...)
        Unit quaternions.
    """
    axis = cross(start, end)
    w = 1.0 + np.sum(start * end, axis=0)
    opposite = w < 1e-12
    if np.any(opposite):
        least = np.argmin(np.abs(start), axis=0)
        helper = (np.arange(3).reshape((3,) + (1,) * (start.ndim - 1)) == least).astype(float)
        axis = np.where(opposite, cross(start, helper), axis)
        w = np.where(opposite, 0.0, w)
    quaternion = np.concatenate((axis, w[None]))
    unit: Array = quaternion / np.sqrt(np.sum(quaternion * quaternion, axis=0))
    return unit


def mean_quaternion(quaternion: Array, weights: Array) -> Array:
    """Return the chordal mean rotation over the last axis.

    Parameters
    ----------
    quaternion : (4, ..., F)
        Unit quaternions; the sign of each is free.
    weights : (F,)
        Weight of each key, not negative, with a positive sum.

    Returns
    -------
    (4, ...)
        The rotation with the least weighted sum of squared chordal (Frobenius) distances, scalar part not
        negative.

    References
    ----------
    F. L. Markley, Y. Cheng, J. L. Crassidis, Y. Oshman, "Averaging quaternions", J. Guidance, Control, and
    Dynamics 30(4), 2007: the eigenvector of ``Σ w q qᵀ`` with the largest eigenvalue.
    """
    share = weights / np.sum(weights)
    last_first = np.moveaxis(quaternion, 0, -2)  # (..., 4, F)
    moments = (last_first * share) @ np.swapaxes(last_first, -1, -2)
    mean = np.moveaxis(np.linalg.eigh(moments)[1][..., -1], -1, 0)
    return np.where(mean[3] < 0.0, -mean, mean)
