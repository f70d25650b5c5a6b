"""Axis letters, rotation orders and units: the one place that says what they mean.

Vectors are columns. Angles are radians inside and degrees in every output. Quaternions are ``x y z w``
(scalar last) and of unit length. A rotation order such as ``ZXY`` is read left to right as the matrix
product ``Q = Rz · Rx · Ry``: the last letter is the innermost channel. Rotations are right-handed:
a positive turn about z carries x towards y.

Inside the numeric code arrays are *component first*: a quaternion array has shape (4, ...), a vector
array (3, ...), a channel array (3, ...) in the order of its rotation order. Each component is then one
contiguous array, which numpy works through about twice as fast as the interleaved layout. Shots and
skeletons, which people meet, are *component last*: (frames, joints, 4).
"""

from __future__ import annotations

from itertools import permutations
from typing import Final

AXES: Final = "XYZ"

ORDERS: Final[tuple[str, ...]] = tuple("".join(letters) for letters in permutations(AXES))
"""The six rotation orders, in alphabetical order."""

ORDER_WITHOUT_CHOICE: Final = "ZXY"
"""The order given to joints on which the order makes no difference, such as those that never turn."""


def axis_indices(order: str) -> tuple[int, int, int]:
    """Return the axis (0 for X, 1 for Y, 2 for Z) of the outer, middle and inner channel.

    Parameters
    ----------
    order
        One of :data:`ORDERS`.
    """
    outer, middle, inner = (AXES.index(letter) for letter in order)
    return outer, middle, inner


def handedness(order: str) -> int:
    """Return +1 for XYZ, YZX and ZXY, and −1 for the three orders that run the other way round."""
    outer, middle, _ = axis_indices(order)
    return 1 if (middle - outer) % 3 == 1 else -1
