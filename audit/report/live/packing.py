"""Rotations and positions as few bytes: whole steps, their differences, one plane for each byte.

The page takes them apart again with ``unpack.js``; :func:`unpacked` does the same here, so that the writer of a
page knows how far its copy is from the shot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.rotations import conjugate, mean_quaternion, multiply

Array = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

FINEST_BITS = 28
"""Steps to one, as a power of two. Second differences of steps this fine still fit into four bytes."""

LEAST_SCALAR = 0.5
"""Where the fourth component stays above this, the page works it out from the other three: it then errs by
no more than twice what they do."""


@dataclass(slots=True)
class Parcel:
    """Bytes that grow block by block."""

    parts: list[bytes] = field(default_factory=list)
    size: int = 0

    def add(self, data: bytes) -> int:
        """Append a block and return where it begins."""
        start = self.size
        self.parts.append(data)
        self.size += len(data)
        return start

    def whole(self) -> bytes:
        """Return all blocks, end to end."""
        return b"".join(self.parts)


def packed_integers(values: Integers) -> tuple[bytes, int, list[int]]:
    """Return rows of whole numbers as bytes.

    Parameters
    ----------
    values : (C, N)
        Rows that change slowly; differences of differences must fit into 31 bits.

    Returns
    -------
    data
        For each row its planes of N bytes, the lowest byte first.
    order
        How often differences were taken: 1 for rows that tremble, 2 for smooth ones.
    planes
        How many planes each row has.
    """
    first = np.diff(values, axis=1, prepend=0)
    second = np.diff(first, axis=1, prepend=0)
    smooth = np.sum(np.abs(second[:, 2:])) < np.sum(np.abs(first[:, 2:]))
    steps = second if smooth else first
    # The sign goes into the lowest bit, so that small numbers of either sign have empty upper bytes.
    folded = np.where(steps < 0, -2 * steps - 1, 2 * steps).astype(np.uint32)
    data, planes = [], []
    for row in folded:
        count = max(1, (int(row.max(initial=0)).bit_length() + 7) // 8)
        planes.append(count)
        data += [(row >> (8 * plane)).astype(np.uint8).tobytes() for plane in range(count)]
    return b"".join(data), 2 if smooth else 1, planes


def unpacked_integers(data: bytes, count: int, order: int, planes: Sequence[int]) -> Integers:
    """Return the rows (C, N) that :func:`packed_integers` packed."""
    rows, start = [], 0
    for each in planes:
        block = np.frombuffer(data, np.uint8, each * count, start).reshape(each, count)
        start += each * count
        folded = sum(block[plane].astype(np.int64) << (8 * plane) for plane in range(each))
        rows.append(folded)
    steps = np.array(rows)
    steps = np.where(steps & 1, -(steps >> 1) - 1, steps >> 1)
    for _ in range(order):
        steps = np.cumsum(steps, axis=1)
    return np.asarray(steps, dtype=np.int64)


def packed_rotations(quaternion: Array, bits: int, parcel: Parcel) -> dict[str, Any]:
    """Add the rotations of one joint to a parcel.

    Parameters
    ----------
    quaternion : (4, N)
        Unit quaternions over time.
    bits
        Components are rounded to whole multiples of ``2**-bits``.
    parcel
        Takes the bytes.

    Returns
    -------
    dict
        What it takes to read them again: ``at`` where they begin, ``n`` keys, ``bits``, ``order`` and
        ``planes`` of the integers, and ``mean``, the rotation that they are counted from.

    Notes
    -----
    Rotations are counted from their mean, which leaves the scalar part far from zero for all but wheels; then
    three components say it all.
    """
    mean = mean_quaternion(quaternion, np.ones(quaternion.shape[-1]))
    away = multiply(conjugate(mean)[:, None], quaternion)
    away = away / np.sqrt(np.sum(away * away, axis=0))
    if np.min(np.abs(away[3])) >= LEAST_SCALAR:
        components = np.where(away[3] < 0.0, -away, away)[:3]
    else:
        near = np.sum(away[:, 1:] * away[:, :-1], axis=0) < 0.0
        flipped = np.logical_xor.accumulate(np.concatenate(([False], near)))
        components = np.where(flipped, -away, away)
    # The sign of the first key decides the whole turns of its angles, so it has to come back as it was.
    if np.sum(multiply(mean, components_whole(components[:, :1])[:, 0]) * quaternion[:, 0]) < 0.0:
        mean = -mean
    steps = np.rint(components * 2.0**bits).astype(np.int64)
    data, order, planes = packed_integers(steps)
    layout = {"n": quaternion.shape[-1], "bits": bits, "order": order, "planes": planes}
    return {"at": parcel.add(data), **layout, "mean": [float(each) for each in mean]}


def unpacked_rotations(data: bytes, layout: dict[str, Any]) -> Array:
    """Return the rotations (4, N) that :func:`packed_rotations` packed."""
    rows = (
        unpacked_integers(data[layout["at"] :], layout["n"], layout["order"], layout["planes"])
        / 2.0 ** layout["bits"]
    )
    return multiply(np.array(layout["mean"])[:, None], components_whole(rows))


def components_whole(rows: Array) -> Array:
    """Return unit quaternions (4, N) of three or four components (C, N), a missing scalar part not negative."""
    if len(rows) == 3:
        scalar = np.sqrt(np.maximum(1.0 - np.sum(rows * rows, axis=0), 0.0))
        rows = np.concatenate((rows, scalar[None]))
    unit: Array = rows / np.sqrt(np.sum(rows * rows, axis=0))
    return unit


def packed_numbers(values: Array, step: float, parcel: Parcel) -> dict[str, Any]:
    """Add rows of plain numbers to a parcel, rounded to whole multiples of a step; see packed_rotations."""
    data, order, planes = packed_integers(np.rint(values / step).astype(np.int64))
    layout = {"n": values.shape[-1], "step": step, "order": order, "planes": planes}
    return {"at": parcel.add(data), **layout}
