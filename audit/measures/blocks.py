"""Joints that can be worked on together, and the rotations that are measured on them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from audit.model import Shot
from audit.rotations import conjugate, multiply
from audit.settings import Reference

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

KEYS_AT_A_TIME = 65_536
"""Keys of a block of joints that are worked on together: small enough for the processor's cache, large enough
that the cost of each numpy call does not count (measured: half and double this take 12 to 18 % longer)."""


def blocks(shot: Shot, order: str | None = None) -> Iterator[tuple[Indices, str | None]]:
    """Yield places of joints that are alike in what decides the way they are measured, and their order.

    They share rotation order, key times, and whether they rest unturned; a cacheful of keys at a time.

    Parameters
    ----------
    shot
        Any shot.
    order
        Rotation order of joints whose file states none; None where none is given.
    """
    alike: dict[tuple[str | None, bytes, bool], list[int]] = {}
    unturned = np.abs(shot.skeleton.rest_xyzw[:, 3]) == 1.0
    for joint, own in enumerate(shot.skeleton.orders):
        clock = b"" if shot.tracks is None else shot.joint_times(joint).tobytes()
        alike.setdefault((own or order, clock, bool(unturned[joint])), []).append(joint)
    for (shared, _, _), joints in alike.items():
        size = max(1, KEYS_AT_A_TIME // len(shot.joint_times(joints[0])))
        for first in range(0, len(joints), size):
            yield np.array(joints[first : first + size]), shared


def measured_rotations(shot: Shot, reference: Reference, places: Indices) -> Array:
    """Return the rotations (4, N, F) that are measured: ``R0⁻¹ R``, or R where the parent is the reference.

    Parameters
    ----------
    shot
        Any shot.
    reference
        ``rest`` or ``parent``.
    places : (N,)
        Joints that share what :meth:`audit.model.Shot.joint_rotations` asks for.
    """
    rotations = shot.joint_rotations(places)
    rest = shot.skeleton.rest_xyzw[places].T
    if reference == "parent" or np.all(np.abs(rest[3]) == 1.0):
        return rotations
    return multiply(conjugate(rest)[..., None], rotations)
