"""What a joint's motion costs in channels and keys."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from audit.conventions import axis_indices
from audit.measures.keys import straight_line_keys, travel
from audit.rotations import angles_from_quaternion, continuous_angles

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cost:
    """What the channels of N joints do. Degrees; NaN where a figure does not exist.

    Attributes
    ----------
    range_deg, travel_deg : (N, 3)
        Of the X, Y and Z channel.
    keys : (N, 3)
        Straight-line keys that each needs.
    moving_channels : (N,)
        Channels with a range over the moving limit.
    channel_spread : (N,)
        ``(Σ t)² / Σ t²`` over the three travels, NaN where nothing travels: the Hill number of order 2
        (M. O. Hill, Ecology 54, 1973). 1 is one curve, 3 is evenly on all three.
    leak : (N,)
        ``1 − largest travel / total travel``, NaN where nothing travels.
    edit_keys : (N,)
        Keys on the moving channels.
    """

    range_deg: Array
    travel_deg: Array
    keys: npt.NDArray[np.int64]
    moving_channels: npt.NDArray[np.int64]
    channel_spread: Array
    leak: Array
    edit_keys: npt.NDArray[np.int64]

    @property
    def side_range_deg(self) -> Array:
        """Sum of the ranges (N,) of all channels but the largest: what a clean hinge does not have."""
        ranges: Array = np.sum(self.range_deg, axis=1) - np.max(self.range_deg, axis=1)
        return ranges

    @classmethod
    def none(cls, joints: int) -> Cost:
        """Return the cost of joints that have not been measured: NaN and 0 throughout."""

        def nan(*shape: int) -> Array:
            return np.full((joints, *shape), np.nan)

        def zero(*shape: int) -> npt.NDArray[np.int64]:
            return np.zeros((joints, *shape), dtype=np.int64)

        return cls(nan(3), nan(3), zero(3), zero(), nan(), nan(), zero())

    def __getitem__(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> Cost:
        """Return the cost of some of the joints."""
        return Cost(*(getattr(self, field.name)[chosen] for field in fields(self)))

    def put(self, places: npt.NDArray[np.int64], other: Cost) -> None:
        """Write the cost of other joints into the given places; only while a cost is being put together."""
        for field in fields(self):
            getattr(self, field.name)[places] = getattr(other, field.name)


def effective_channels(travels: Array) -> Array:
    """Return ``(Σ t)² / Σ t²`` over the last axis, NaN where all travels are 0.

    Parameters
    ----------
    travels : (..., 3)
        Not negative, any unit.

    Returns
    -------
    (...)
        Between 1 and 3. The Hill number of order 2 of the shares ``t / Σ t``: M. O. Hill, "Diversity and
        evenness", Ecology 54, 1973.
    """
    total = np.sum(travels, axis=-1)
    squares = np.sum(travels * travels, axis=-1)
    result: Array = np.where(
        squares > 0.0, total * total / np.where(squares > 0.0, squares, 1.0), np.nan
    )
    return result


def channel_curves(quaternion: Array, order: str) -> Array:
    """Return the channels of rotations as continuous curves.

    Parameters
    ----------
    quaternion : (4, N, F)
        Unit quaternions, time on the last axis.
    order
        Rotation order.

    Returns
    -------
    (3, N, F)
        Radians: outer, middle, inner channel.
    """
    return continuous_angles(angles_from_quaternion(quaternion, order))


def cost_of(
    curves: Array, order: str, times: Array, *, tolerance_deg: float, moving_deg: float
) -> Cost:
    """Measure what continuous channel curves cost.

    Parameters
    ----------
    curves : (3, N, F)
        Radians: outer, middle, inner channel, continuous over time.
    order
        Their rotation order.
    times : (F,)
        Increasing.
    tolerance_deg, moving_deg
        See :class:`audit.settings.Settings`.

    Returns
    -------
    Cost
        Of the N joints, with channels sorted X, Y, Z.
    """
    _, joints, frames = curves.shape
    places = np.argsort(axis_indices(order))
    degrees = np.rad2deg(curves)[places].reshape(3 * joints, frames)
    kept = straight_line_keys(degrees, times, tolerance_deg)

    def by_joint(values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        return values.reshape(3, joints).T.copy()

    ranges = by_joint(np.ptp(degrees, axis=1)).astype(np.float64)
    travels = by_joint(travel(degrees, kept)).astype(np.float64)
    keys = by_joint(np.count_nonzero(kept, axis=1)).astype(np.int64)
    moving = ranges > moving_deg
    total = np.sum(travels, axis=1)
    largest = np.max(travels, axis=1)
    leak = np.where(total > 0.0, 1.0 - largest / np.where(total > 0.0, total, 1.0), np.nan)
    return Cost(
        range_deg=ranges,
        travel_deg=travels,
        keys=keys,
        moving_channels=np.count_nonzero(moving, axis=1),
        channel_spread=effective_channels(travels),
        leak=leak,
        edit_keys=np.sum(np.where(moving, keys, 0), axis=1),
    )
