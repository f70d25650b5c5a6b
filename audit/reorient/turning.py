"""What a turn of axes does to the numbers of one joint."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.rotations import conjugate, multiply, rotate

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])


def turn_of(axes: Array, parents: Indices) -> Turn:
    """Return the turns of all joints (J, 4) with those of their parents; a root's parent does not turn."""
    own = axes.T
    above = np.where(parents >= 0, own[:, np.maximum(parents, 0)], IDENTITY[:, None])
    return Turn(own, above)


class Turn:
    """The turns of all joints' axes, and of their parents'.

    Parameters
    ----------
    axes, parent_axes : (4, J)
        New axes of each joint and of its parent, in their present ones.

    Attributes
    ----------
    own, above, touched : (J,)
        Which joints are turned, hang on one that is, or either.
    """

    def __init__(self, axes: Array, parent_axes: Array) -> None:
        self.axes = axes
        self._parent_axes = parent_axes
        self.own: Mask = axes[3] != 1.0
        self.above: Mask = parent_axes[3] != 1.0
        self.touched: Mask = self.own | self.above

    def rotations(self, joint: int, quaternion: Array) -> Array:
        """Return ``A_p⁻¹ q A`` for the quaternions (4, K) of a joint, or for their tangents."""
        result = quaternion
        if self.above[joint]:
            result = multiply(conjugate(self._parent_axes[:, joint])[:, None], result)
        if self.own[joint]:
            result = multiply(result, self.axes[:, joint, None])
        return result

    def away_from_rest(self, joint: int, quaternion: Array) -> Array:
        """Return ``A⁻¹ Q A`` for the rotations (4, K) of a joint away from its rest."""
        if not self.own[joint]:
            return quaternion
        axes = self.axes[:, joint, None]
        return multiply(multiply(conjugate(axes), quaternion), axes)

    def positions(self, joint: int, vector: Array) -> Array:
        """Return ``A_p⁻¹ t`` for positions (3, K) of a joint in its parent's axes."""
        if not self.above[joint]:
            return vector
        return rotate(conjugate(self._parent_axes[:, joint])[:, None], vector)
