"""Rotation matrices to quaternions, for files that keep transforms as matrices."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def quaternion_from_matrix(matrix: Array) -> Array:
    """Return the unit quaternions nearest to some matrices that are rotations but for rounding.

    Parameters
    ----------
    matrix : (3, 3, ...)
        Row, column, then the rest; orthogonal but for small errors, and not mirrored. For column vectors.

    Returns
    -------
    (4, ...)
        Exact for rotations and defined for every angle; scalar part not negative.

    References
    ----------
    I. Y. Bar-Itzhack, "New method for extracting the quaternion from a rotation matrix", J. Guidance, Control,
    and Dynamics 23(6), 2000: the eigenvector with the largest eigenvalue of a symmetric 4 × 4 matrix.
    """
    trace = matrix[0, 0] + matrix[1, 1] + matrix[2, 2]
    moments = np.zeros((*matrix.shape[2:], 4, 4))
    moments[..., :3, :3] = np.moveaxis(matrix + np.swapaxes(matrix, 0, 1), (0, 1), (-2, -1))
    for axis, (row, column) in enumerate(((2, 1), (0, 2), (1, 0))):
        moments[..., axis, axis] -= trace
        moments[..., axis, 3] = moments[..., 3, axis] = matrix[row, column] - matrix[column, row]
    moments[..., 3, 3] = trace
    found: Array = np.moveaxis(np.linalg.eigh(moments)[1][..., -1], -1, 0)
    return np.where(found[3] < 0.0, -found, found)
