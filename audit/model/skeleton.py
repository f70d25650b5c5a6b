"""The skeleton: joints, parents, rest frames and offsets, shared by many shots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDERS
from audit.errors import ShapeError
from audit.model.frozen import Frozen, frozen_array
from audit.rotations import conjugate, rotate

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Skeleton(Frozen):
    """Joints in an order in which every parent comes before its children.

    Attributes
    ----------
    names
        One name a joint. Names may repeat where a format allows it; places in the arrays never do.
    parents : (J,)
        Place of each joint's parent, −1 for a root.
    offsets : (J, 3)
        Rest position of the joint in its parent's axes, in the file's unit of length.
    rest_xyzw : (J, 4)
        Rest rotation, joint frame to parent frame; identity where the format has none.
    orders
        Rotation order that the file states for each joint, None where it states none.
    tip_joints : (T,), tip_offsets : (T, 3)
        End points that are no joints: the joint each belongs to, and its position in that joint's axes.
    rest_scales : (J, 3)
        Rest scale along the joint's own axes, 1 where not given; acts on everything below the joint.
    """

    names: tuple[str, ...]
    parents: Indices
    offsets: Array
    rest_xyzw: Array
    orders: tuple[str | None, ...]
    tip_joints: Indices = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    tip_offsets: Array = field(default_factory=lambda: np.zeros((0, 3)))
    rest_scales: Array = field(default_factory=lambda: np.zeros((0, 3)))

    def __post_init__(self) -> None:
        count = len(self.names)
        if count == 0:
            raise ShapeError("a skeleton needs at least one joint")
        freeze = object.__setattr__
        freeze(self, "names", tuple(self.names))
        freeze(self, "orders", tuple(self.orders))
        freeze(self, "parents", frozen_array(self.parents, "parents", (count,), np.int64))
        freeze(self, "offsets", frozen_array(self.offsets, "offsets", (count, 3)))
        freeze(self, "rest_xyzw", frozen_array(self.rest_xyzw, "rest_xyzw", (count, 4)))
        scales = self.rest_scales if np.size(self.rest_scales) else np.ones((count, 3))
        freeze(self, "rest_scales", frozen_array(scales, "rest_scales", (count, 3)))
        freeze(self, "tip_joints", frozen_array(self.tip_joints, "tip_joints", (None,), np.int64))
        tips = len(self.tip_joints)
        freeze(self, "tip_offsets", frozen_array(self.tip_offsets, "tip_offsets", (tips, 3)))
        if len(self.orders) != count:
            raise ShapeError(f"orders should name {count} joints, got {len(self.orders)}")
        for order in set(self.orders):
            if order is not None and order not in ORDERS:
                raise ShapeError(f"{order!r} is not one of the orders {', '.join(ORDERS)}")
        if np.any(self.parents >= np.arange(count)) or np.any(self.parents < -1):
            raise ShapeError("every parent should come before its children; a root has parent -1")
        if np.any(self.tip_joints < 0) or np.any(self.tip_joints >= count):
            raise ShapeError("a tip belongs to a joint that does not exist")
        if np.any(np.abs(np.sum(self.rest_xyzw**2, axis=1) - 1.0) > 1e-6):
            raise ShapeError("rest_xyzw should hold quaternions of unit length")

    @classmethod
    def plain(
        cls,
        names: Sequence[str],
        parents: Sequence[int],
        offsets: npt.ArrayLike,
        *,
        orders: str | Sequence[str | None] | None = None,
    ) -> Skeleton:
        """Return a skeleton whose rest frames are all aligned with the world, and that has no tips.

        Parameters
        ----------
        names, parents, offsets
            As in the class.
        orders
            One order for all joints, or one each, or None for none stated.
        """
        count = len(names)
        each = (orders,) * count if orders is None or isinstance(orders, str) else tuple(orders)
        identity = np.tile([0.0, 0.0, 0.0, 1.0], (count, 1))
        return cls(tuple(names), np.asarray(parents), np.asarray(offsets), identity, each)

    def __len__(self) -> int:
        """Return the number of joints."""
        return len(self.names)

    def parent_names(self) -> tuple[str | None, ...]:
        """Return the name of each joint's parent, None for a root."""
        return tuple(self.names[parent] if parent >= 0 else None for parent in self.parents)

    @cached_property
    def main_child(self) -> Indices:
        """Place of each joint's main child (J,): the child with the longest chain below it, −1 for a leaf.

        The length of a chain is the distance along it, end points included; the first of equals wins.
        """
        below = np.zeros(len(self))
        for joint, offset in zip(self.tip_joints, self.tip_offsets, strict=True):
            below[joint] = max(below[joint], float(np.linalg.norm(offset)))
        main = np.full(len(self), -1, dtype=np.int64)
        longest = np.full(len(self), -1.0)
        own = np.linalg.norm(self.offsets, axis=1)
        for joint in range(len(self) - 1, -1, -1):
            parent = self.parents[joint]
            if parent < 0:
                continue
            chain = own[joint] + below[joint]
            below[parent] = max(below[parent], chain)
            # The places run backwards, so >= lets the first of equals win.
            if chain >= longest[parent]:
                longest[parent], main[parent] = chain, joint
        main.setflags(write=False)
        return main

    @cached_property
    def limb_axes(self) -> Array:
        """Limb axis of each joint (J, 3): a unit vector in the joint's own axes at rest, NaN where none is.

        From the joint to its main child; for a leaf to its farthest tip; where neither has any length, the
        main child's limb axis, or else the parent's, seen in the joint's own axes.
        """
        axes = np.full((len(self), 3), np.nan)
        for joint in range(len(self) - 1, -1, -1):
            child = self.main_child[joint]
            if child >= 0:
                axes[joint] = _direction(self.offsets[child])
                if np.isnan(axes[joint, 0]) and not np.isnan(axes[child, 0]):
                    axes[joint] = rotate(self.rest_xyzw[child], axes[child])
            else:
                tips = self.tip_offsets[self.tip_joints == joint]
                if len(tips):
                    axes[joint] = _direction(tips[np.argmax(np.linalg.norm(tips, axis=1))])
        for joint, parent in enumerate(self.parents):
            if parent >= 0 and np.isnan(axes[joint, 0]) and not np.isnan(axes[parent, 0]):
                axes[joint] = rotate(conjugate(self.rest_xyzw[joint]), axes[parent])
        axes.setflags(write=False)
        return axes


def _direction(offset: Array) -> Array:
    """Return the unit vector (3,) along an offset, NaN where it has no length."""
    length = float(np.linalg.norm(offset))
    return offset / length if length > 1e-9 else np.full(3, np.nan)
