"""How few straight-line keys a curve needs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt

try:
    from audit.measures._keys import straight_line_keys as _compiled
except ImportError:  # not built for this machine: no compiler
    _compiled = None  # type: ignore[assignment]

_mark_keys: Callable[..., None] | None = _compiled

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ROUNDING: Final = 1e-9
"""Share of the tolerance that no distance is told apart by.

In motion that repeats, many points are equally far from a line but for the last digit, which must not choose
among them: the first of them becomes the key.
"""


def straight_line_keys(curves: Array, times: Array, tolerance: float) -> Mask:
    """Mark the keys that straight lines need to stay within a tolerance of each curve.

    Parameters
    ----------
    curves : (C, F)
        Values at each time, in any unit.
    times : (F,)
        Increasing times, in any unit.
    tolerance
        Largest allowed distance between curve and line, measured in value at the key's own time, in the
        unit of the curves. A value at this distance is within it, and so is one that is beyond it by less than
        :data:`ROUNDING` of it.

    Returns
    -------
    (C, F) bool
        True at the keys that stay. A curve that stays within the tolerance of its first value needs that one
        key; any other keeps its first and its last key.

    Notes
    -----
    The polyline simplification of U. Ramer (Computer Graphics and Image Processing 1(3), 1972) and
    D. H. Douglas and T. K. Peucker (Cartographica 10(2), 1973): where the farthest point of a stretch is too
    far from the line between its ends it becomes a key, and both halves are looked at again. Distance is
    taken in value alone, because a distance in the time-value plane would depend on the units of both. The
    method is not an exact minimum; the docs say how much it gives away. Of points that are equally far the
    first becomes the key.

    Compiled code does it where the package was built with it, one curve after the other. Arrays give the same
    keys: all stretches of all curves that are still too far are split at once, so the loop runs over the
    depth of the splitting, not over keys. Each stretch carries how far its inner points are from its line;
    splitting at a point that is ``h`` away moves the line by a ramp from 0 to ``h`` and back to 0, so that
    each level costs a few passes over the points of stretches that are still open.
    """
    margin = ROUNDING * tolerance
    limit = tolerance + margin
    if _mark_keys is None or not curves.size:
        return _by_arrays(curves, times, limit, margin)
    kept = np.zeros(curves.shape, dtype=bool)
    _mark_keys(
        np.ascontiguousarray(curves, dtype=np.float64),
        np.ascontiguousarray(times, dtype=np.float64),
        limit,
        margin,
        kept,
    )
    return kept


def _by_arrays(curves: Array, times: Array, limit: float, margin: float) -> Mask:
    """Mark the keys of all curves at once, level by level of the splitting."""
    count, frames = curves.shape
    kept = np.zeros((count, frames), dtype=bool)
    kept[:, 0] = True
    if frames < 2:
        return kept
    turns = np.max(np.abs(curves - curves[:, :1]), axis=1) > limit
    kept[turns, -1] = True
    open_curves = np.flatnonzero(turns)
    if frames < 3 or len(open_curves) == 0:
        return kept
    flat_kept = kept.reshape(-1)

    # Inner points of open stretches, end to end: place in the flat array, time, distance from the line.
    inner = frames - 2
    place = (open_curves[:, None] * frames + np.arange(1, frames - 1)).reshape(-1)
    if kept.size < np.iinfo(np.int32).max:
        place = place.astype(np.int32)  # half the memory to move at each level
    clock = np.tile(times[1:-1], len(open_curves))
    share = (times[1:-1] - times[0]) / (times[-1] - times[0])
    ends = curves[open_curves]
    line = ends[:, :1] + (ends[:, -1:] - ends[:, :1]) * share
    distance = (ends[:, 1:-1] - line).reshape(-1)
    # One row a stretch: how many inner points it has, and the times of its two ends.
    length = np.full(len(open_curves), inner)
    begin = np.full(len(open_curves), times[0])
    end = np.full(len(open_curves), times[-1])

    while True:
        start = np.cumsum(length) - length
        size = np.abs(distance)
        peak = np.maximum.reduceat(size, start)
        far = peak > limit
        if not far.any():
            return kept
        if not far.all():
            stays = np.repeat(far, length)
            place, clock = place[stays], clock[stays]
            distance, size = distance[stays], size[stays]
            length, begin, end, peak = length[far], begin[far], end[far], peak[far]
            start = np.cumsum(length) - length

        highest = np.flatnonzero(size >= np.repeat(peak - margin, length))
        if len(highest) > len(start):  # equally far: the first of them, one a stretch
            stretch = np.searchsorted(start, highest, side="right")
            highest = highest[np.diff(stretch, prepend=0) > 0]
        flat_kept[place[highest]] = True

        # Left part: the points before the split. Right part: the split, now at distance 0, and those after.
        height, middle = distance[highest], clock[highest]
        left = highest - start
        length = np.stack((left, length - left), axis=1).reshape(-1)
        slope = np.stack((height / (middle - begin), -height / (end - middle)), axis=1).reshape(-1)
        foot = np.stack((begin, end), axis=1).reshape(-1)
        begin, end = (
            np.stack((begin, middle), axis=1).reshape(-1),
            np.stack((middle, end), axis=1).reshape(-1),
        )
        distance = distance - np.repeat(slope, length) * (clock - np.repeat(foot, length))
        distance[highest] = 0.0
        filled = length > 0
        length, begin, end = length[filled], begin[filled], end[filled]


def travel(curves: Array, kept: Mask) -> Array:
    """Return how far each curve goes along its keys: the sum of absolute differences between them.

    Parameters
    ----------
    curves : (C, F)
        Values.
    kept : (C, F)
        Keys, at least one a curve, as from :func:`straight_line_keys`.

    Returns
    -------
    (C,)
        In the unit of the curves.
    """
    values = curves[kept]
    counts = np.count_nonzero(kept, axis=1)
    steps = np.abs(np.diff(values, append=values[-1]))
    last = np.cumsum(counts) - 1
    steps[last] = 0.0  # from the last key of one curve to the first of the next
    return np.add.reduceat(steps, last - counts + 1)
