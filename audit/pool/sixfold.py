"""Symmetric 3 × 3 matrices as six numbers, so that their products with each other add up over shots.

What one shot says about an axis is linear in its scatter matrix: for a pooled axis a and a direction e across
it, ``aᵀ S e``. The square of that is quadratic in the six numbers of S, so the sum of ``six(S) six(S)ᵀ`` over
all shots is enough to know the sum of squares for an axis that is only known at the end.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ROWS, COLUMNS = (0, 1, 2, 0, 0, 1), (0, 1, 2, 1, 2, 2)
"""Which entries are kept: xx, yy, zz, xy, xz, yz."""

_LAYOUT = np.array([[0, 3, 4], [3, 1, 5], [4, 5, 2]])


def six_from_matrix(matrix: Array) -> Array:
    """Return the six numbers (..., 6) of symmetric matrices (..., 3, 3)."""
    result: Array = matrix[..., ROWS, COLUMNS]
    return result


def matrix_from_six(six: Array) -> Array:
    """Return symmetric matrices (..., 3, 3) from their six numbers (..., 6)."""
    result: Array = six[..., _LAYOUT]
    return result


def six_products(vector: Array) -> Array:
    """Return the six numbers (6, ...) of ``v vᵀ`` for vectors (3, ...), component first."""
    x, y, z = vector
    return np.stack((x * x, y * y, z * z, x * y, x * z, y * z))


def pairing(left: Array, right: Array) -> Array:
    """Return the six weights (..., 6) with which six numbers make ``leftᵀ S right``.

    Parameters
    ----------
    left, right : (..., 3)
        Vectors.
    """
    straight = left[..., ROWS] * right[..., COLUMNS]
    crossed = left[..., COLUMNS] * right[..., ROWS]
    crossed[..., :3] = 0.0
    result: Array = straight + crossed
    return result
