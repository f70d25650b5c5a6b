"""What a layer says of skeletons and of the animations of their joints, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.model.skeleton import Array, Indices


@dataclass(frozen=True, eq=False)
class Samples:
    """One property of all joints of an animation.

    Attributes
    ----------
    codes : (K,)
        Time codes of the samples; empty where there is one value for all time.
    values : (K, N, n) or (1, N, n)
        As the file has them; quaternions x, y, z, w.
    """

    codes: Array
    values: Array


@dataclass(frozen=True, eq=False)
class Animation:
    """A ``SkelAnimation`` prim that moves joints.

    Attributes
    ----------
    path
        Where it stands in the layer.
    joints
        Its own list of joints (N,).
    samples
        By component.
    """

    path: str
    joints: tuple[str, ...]
    samples: dict[str, Samples]


@dataclass(frozen=True, eq=False)
class Bones:
    """A ``Skeleton`` prim.

    Attributes
    ----------
    path
        Where it stands in the layer.
    joints, names
        Paths of the joints (J,), and the names that people know them by.
    parents : (J,)
    rest : (J, 4, 4)
        Column form, in the parent's axes.
    """

    path: str
    joints: tuple[str, ...]
    names: tuple[str, ...]
    parents: Indices
    rest: Array

    def alike(self, other: Bones) -> bool:
        """Tell whether two skeletons are the same but for their place in the layer."""
        same = (self.joints, self.names) == (other.joints, other.names)
        return same and np.array_equal(self.rest, other.rest)
