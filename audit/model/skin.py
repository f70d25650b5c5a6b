"""A skin: points that follow several joints at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError
from audit.model.frozen import Frozen, frozen_array

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Skin(Frozen):
    """Points, and the joints that carry them (linear blending).

    With the world transform ``W_s`` (4, 4) of each of its joints a point p stands at
    ``Σ weight · W_s · inverse_bind_s · p``.

    Attributes
    ----------
    name
        Name of the mesh in the file.
    joints : (S,)
        Places of the joints in the skeleton.
    inverse_binds : (S, 4, 4)
        From the space of the points into each joint's frame, for column vectors.
    points : (V, 3)
        The points as they were bound.
    influences : (V, K)
        Rows of ``joints`` that carry each point.
    weights : (V, K)
        Their shares; 0 where a point has fewer than K.
    """

    name: str
    joints: Indices
    inverse_binds: Array
    points: Array
    influences: Indices
    weights: Array

    def __post_init__(self) -> None:
        freeze = object.__setattr__
        freeze(self, "joints", frozen_array(self.joints, "joints", (None,), np.int64))
        count = len(self.joints)
        binds = frozen_array(self.inverse_binds, "inverse_binds", (count, 4, 4))
        freeze(self, "inverse_binds", binds)
        freeze(self, "points", frozen_array(self.points, "points", (None, 3)))
        points = len(self.points)
        influences = frozen_array(self.influences, "influences", (points, None), np.int64)
        freeze(self, "influences", influences)
        weights = frozen_array(self.weights, "weights", self.influences.shape)
        freeze(self, "weights", weights)
        if influences.size and not 0 <= influences.min() <= influences.max() < count:
            raise ShapeError("influences should be rows of the skin's joints")
