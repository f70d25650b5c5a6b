"""Which keys are to be trusted: pops are told from motion by the keys around them.

A pop is a key that leaves the path of its neighbours and comes back. It is looked for in time and not off the
hinge, because a second freedom of the motion leaves the hinge too, but it takes its neighbours along.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

WINDOW = 5
"""Keys that are looked at together: two pops in a row are still outvoted, and more where they do not agree."""

SAMPLED_GAP_S = 0.1
"""Keys further apart than this are poses that somebody set, and a pose is never a pop (our choice)."""

FULL, NONE = 5.0, 8.0
"""Up to the first so many scales from its path a key counts in full, from the second on not at all."""

SMALLEST_SCALE = np.deg2rad(0.2)
"""A scale in radians that no path is held to more strictly: under 1° nothing is a pop (our choice)."""

REACH, TURNING, NOISY_STEP = 5, 1.5, 4.0
"""At a turning point a key may lie beside its path by 1.5 times the third fastest step of the path within five
keys, of which four scales are taken for noise."""

PASSES = 3
"""How often the path is found again without the pops. In trials a fourth pass changed nothing."""


def key_weights(quaternion: Array, times_s: Array) -> Array:
    """Return how much each key is to be trusted.

    Parameters
    ----------
    quaternion : (4, N, F)
        Unit quaternions of N joints; the sign of each is free.
    times_s : (F,)
        Increasing times of the keys.

    Returns
    -------
    (N, F)
        1 for a key that follows its neighbours, 0 for a pop, and between them on the way.

    Notes
    -----
    A key's path is the medoid of the five keys around it: the one with the least sum of angles to the other
    four (C. Small, "A survey of multidimensional medians", Int. Stat. Review 58, 1990). On a path that
    goes on in one direction it is the key itself, so a smooth motion has no residual at all, whatever its
    speed and however many axes it has. The scale is the median of the residuals, and the weight redescends
    to zero with a flat top, as Hampel's does (F. R. Hampel, J. Am. Stat. Assoc. 69, 1974): a key within
    five scales keeps its whole weight, which is why clean and merely noisy shots lose nothing. A path
    that turns back leaves a residual at the turning point; so much is allowed for as the path itself goes in a
    key nearby, and a kick is no pop.

    Keys with a gap of more than 0.1 s to a neighbour keep their weight, and so do shots of fewer than seven
    keys. The same keys always get the same weights.
    """
    joints, frames = quaternion.shape[1:]
    weights = np.ones((joints, frames))
    if frames < WINDOW + 2:
        return weights
    gaps = np.diff(times_s, prepend=times_s[0], append=times_s[-1])
    sampled = np.maximum(gaps[:-1], gaps[1:]) <= SAMPLED_GAP_S
    if not np.any(sampled):
        return weights
    weights = np.where(sampled, _one_pass(quaternion), 1.0)
    for _ in range(PASSES - 1):
        rows = np.flatnonzero(np.min(weights, axis=1) < 0.5)
        if not len(rows):
            break
        good = weights[rows] >= 0.5
        kept = np.count_nonzero(good, axis=1)
        # The kept keys in front and in their order; the last of them fills up the rest.
        order = np.argsort(~good, axis=1, kind="stable")
        order = np.take_along_axis(order, np.minimum(np.arange(frames), kept[:, None] - 1), axis=1)
        again = _one_pass(np.take_along_axis(quaternion[:, rows], order[None], axis=2))
        again = np.where(np.arange(frames) < kept[:, None], again, 1.0)
        judged = np.ones_like(again)
        np.put_along_axis(judged, order[:, ::-1], again[:, ::-1], axis=1)
        judged = np.where(good & sampled, judged, 1.0)
        if np.all(judged == 1.0):
            break
        weights[rows] = np.minimum(weights[rows], judged)
    return weights


def _one_pass(quaternion: Array) -> Array:
    """Return the weights (N, F) that the medoids of all keys give."""
    joints, frames = quaternion.shape[1:]
    medoid = _medoids(quaternion)  # (N, F − 4), a place each
    own = np.clip(np.arange(frames) - WINDOW // 2, 0, frames - WINDOW)
    place = medoid[:, own]
    path = np.take_along_axis(quaternion, place[None], axis=2)
    residual = _angle(quaternion, path)
    scale = 1.4826 * np.median(residual, axis=1, keepdims=True)
    step = np.maximum(_angle(path[..., 1:], path[..., :-1]) - NOISY_STEP * scale, 0.0)
    step = np.pad(step, ((0, 0), (REACH, REACH)), mode="edge")
    fastest = _third_largest([step[:, lag : lag + frames] for lag in range(2 * REACH)])
    # At either end the window reaches to one side only: up to four keys away, and from further in.
    turning = np.full(frames, TURNING)
    turning[[0, 1, -2, -1]] *= 2.0
    fastest[:, :2] = np.max(fastest[:, : 2 * REACH], axis=1, keepdims=True)
    fastest[:, -2:] = np.max(fastest[:, -2 * REACH :], axis=1, keepdims=True)
    excess = (residual - turning * fastest) / np.maximum(scale, SMALLEST_SCALE)
    share = np.clip((NONE - excess) / (NONE - FULL), 0.0, 1.0)
    weights: Array = share * share * (3.0 - 2.0 * share)
    return weights.reshape(joints, frames)


def _third_largest(values: list[Array]) -> Array:
    """Return the third largest of some arrays, place by place.

    A path that a pop has got into leaps twice, there and back; a path that really goes fast does so for longer.
    """
    first = second = third = np.zeros_like(values[0])
    for value in values:
        third = np.maximum(third, np.minimum(second, value))
        second = np.maximum(second, np.minimum(first, value))
        first = np.maximum(first, value)
    return third


def _medoids(quaternion: Array) -> Indices:
    """Return the place (N, F − 4) of the medoid of every window of five keys."""
    frames = quaternion.shape[2]
    windows = frames - WINDOW + 1
    apart = {lag: _angle(quaternion[..., lag:], quaternion[..., :-lag]) for lag in range(1, WINDOW)}
    sums = np.zeros((WINDOW, quaternion.shape[1], windows))
    for lag, angle in apart.items():
        for first in range(WINDOW - lag):
            part = angle[:, first : first + windows]
            sums[first] += part
            sums[first + lag] += part
    # The middle one is asked first and keeps its place unless another is nearer by more than rounding.
    asked = (2, 1, 3, 0, 4)
    best, place = sums[2], np.full(sums.shape[1:], 2)
    for candidate in asked[1:]:
        nearer = sums[candidate] < best - 1e-9
        best = np.where(nearer, sums[candidate], best)
        place = np.where(nearer, candidate, place)
    result: Indices = place + np.arange(windows)
    return result


def _angle(left: Array, right: Array) -> Array:
    """Return a measure of the angle (...) between quaternions (4, ...): 4·sin(angle / 4), in radians."""
    cosine = np.abs(np.sum(left * right, axis=0))
    result: Array = 2.0 * np.sqrt(np.maximum(2.0 - 2.0 * cosine, 0.0))
    return result
