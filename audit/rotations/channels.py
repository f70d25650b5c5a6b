"""Rotation channels: three angles in one of the six rotation orders, component first and in that order.

An angle array has shape (3, ...): outer, middle and inner channel. For ``ZXY`` that is Z, X, Y with
``Q = Rz · Rx · Ry``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.conventions import axis_indices, handedness
from audit.rotations.quaternions import Array

Angles = Array
"""Angles of shape (3, ...) in radians: outer, middle, inner channel."""

TURN = 2.0 * np.pi

LOCK_SINE = 1e-7
"""From here on the middle channel counts as standing at ±90°: closer in, the outer and the inner angle
carry fewer than nine digits each (their noise grows as machine precision over the distance)."""


def quaternion_from_angles(angles: Angles, order: str) -> Array:
    """Return the rotation that three channels make together.

    Parameters
    ----------
    angles : (3, ...)
        Radians, in the rotation order: outer, middle, inner.
    order
        One of the six rotation orders.

    Returns
    -------
    (4, ...)
        Unit quaternions x, y, z, w.

    References
    ----------
    The product of three one-axis quaternions, written out; conventions as in K. Shoemake, "Euler angle
    conversion", Graphics Gems IV, 1994.
    """
    outer, middle, inner = axis_indices(order)
    sign = handedness(order)
    half = 0.5 * angles
    s1, s2, s3 = np.sin(half)
    c1, c2, c3 = np.cos(half)
    cc, ss, cs, sc = c1 * c3, s1 * s3, c1 * s3, s1 * c3
    parts = {
        outer: sc * c2 + sign * cs * s2,
        middle: cc * s2 - sign * ss * c2,
        inner: cs * c2 + sign * sc * s2,
        3: cc * c2 - sign * ss * s2,
    }
    return np.stack((parts[0], parts[1], parts[2], parts[3]))


def angles_from_quaternion(quaternion: Array, order: str) -> Angles:
    """Return the three channels of a rotation, the middle one within ±90°.

    Parameters
    ----------
    quaternion : (4, ...)
        Unit quaternions.
    order
        One of the six rotation orders.

    Returns
    -------
    (3, ...)
        Radians: outer and inner within ±2π before :func:`continuous_angles` makes them follow each other,
        middle within ±π/2. Where the middle one stands at ±90° only the sum or the difference of the outer
        two is defined; the inner one keeps its last defined value along the last axis (0 where there is
        none), so that a lock leaves no leap in curves that have none. The three give the
        rotation, within the lock to twice the distance from it (2e-7 rad at most).

    References
    ----------
    E. Bernardes and S. Viollet, "Quaternion to Euler angles conversion: a direct, general and
    computationally efficient method", PLOS ONE 17(11), 2022: half sum and half difference of the outer
    angles, each from one two-argument arctangent.
    """
    outer, middle, inner = axis_indices(order)
    sign = handedness(order)
    w, i, j, k = quaternion[3], quaternion[outer], quaternion[middle] * sign, quaternion[inner]
    plus_x, plus_y = w + j, i + k
    minus_x, minus_y = w - j, i - k
    half_sum = np.arctan2(plus_y, plus_x)
    half_difference = np.arctan2(minus_y, minus_x)
    plus = np.sqrt(plus_x * plus_x + plus_y * plus_y)
    minus = np.sqrt(minus_x * minus_x + minus_y * minus_y)
    tilt = 2.0 * np.arctan2(plus, minus) - 0.5 * np.pi
    first, third = half_sum + half_difference, half_sum - half_difference

    up, down = minus < LOCK_SINE, plus < LOCK_SINE
    if np.any(up) or np.any(down):
        third = _held_through(third, up | down)
        first = np.where(
            up, 2.0 * half_sum - third, np.where(down, 2.0 * half_difference + third, first)
        )
    return np.stack((first, sign * tilt, third))


def _held_through(values: Array, undefined: np.ndarray) -> Array:
    """Return values with each undefined entry replaced by the last defined one along the last axis."""
    steps = np.arange(values.shape[-1]) if values.ndim else np.zeros(1, dtype=int)
    last = np.maximum.accumulate(np.where(undefined, -1, steps), axis=-1)
    held = np.take_along_axis(np.atleast_1d(values), np.maximum(last, 0), axis=-1)
    return np.where(last < 0, 0.0, held).reshape(values.shape)


def middle_angle_sine(quaternion: Array, order: str) -> Array:
    """Return the sine of the middle channel (...) without working out the other two.

    At ±1 the order is at its lock; ``90° − |arcsin|`` is the gimbal margin. It is one entry of the rotation
    matrix, so it costs a tenth of :func:`angles_from_quaternion`.
    """
    outer, middle, inner = axis_indices(order)
    w, i, j, k = quaternion[3], quaternion[outer], quaternion[middle], quaternion[inner]
    sine: Array = np.clip(2.0 * (w * j + handedness(order) * i * k), -1.0, 1.0)
    return sine


def continuous_angles(angles: Angles) -> Angles:
    """Return the same rotations as curves that leap as little as possible over time.

    Parameters
    ----------
    angles : (3, ..., F)
        Radians in any of their equivalent forms, time on the last axis.

    Returns
    -------
    (3, ..., F)
        The first key as it was. Every later key is the equivalent nearest to the key before it, out of both
        solutions ``(a, b, c)`` and ``(a + π, π − b, c + π)`` and all whole turns. Distance is the sum of
        absolute differences.

    Notes
    -----
    The choice at a key seems to need the choice at the key before. It does not: swapping solutions moves
    every distance by nothing, ``d(swap x, swap y) = d(x, y)``, so whether a key takes the *other* solution
    than the key before depends on the two keys alone, and the choices are a running parity.
    """
    swaps = _takes_other_solution(angles)
    if swaps is None:
        return angles.copy()
    swapped = np.zeros(angles.shape[1:], dtype=bool)
    swapped[..., 1:] = np.logical_xor.accumulate(swaps, axis=-1)
    outer, middle, inner = angles
    curves = np.stack(
        (
            np.where(swapped, outer + np.pi, outer),
            np.where(swapped, np.pi - middle, middle),
            np.where(swapped, inner + np.pi, inner),
        )
    )
    turns = np.cumsum(np.round(np.diff(curves, axis=-1) / TURN), axis=-1)
    curves[..., 1:] -= TURN * turns
    return curves


def leaps(angles: Angles) -> npt.NDArray[np.bool_]:
    """Tell at which keys curves leap although the rotation need not.

    Parameters
    ----------
    angles : (3, ..., F)
        Radians, time on the last axis, as a file stores them.

    Returns
    -------
    (..., F) bool
        True where an equivalent of the key is nearer to the key before than the key itself: a whole turn
        less, or the other solution. Never at the first key.
    """
    found = np.zeros(angles.shape[1:], dtype=bool)
    swaps = _takes_other_solution(angles)
    if swaps is not None:
        turns = np.any(np.round(np.diff(angles, axis=-1) / TURN) != 0.0, axis=0)
        found[..., 1:] = swaps | turns
    return found


def _takes_other_solution(angles: Angles) -> npt.NDArray[np.bool_] | None:
    """Tell which keys (..., F − 1) lie nearer in the other solution than the key before has.

    None where all steps are so small that no key does and no whole turn can be taken off either.
    """
    step = np.diff(angles, axis=-1)
    # As long as the whole step stays below half a turn, neither a whole turn less nor the other solution,
    # which is at least half a turn away in the outer and in the inner channel, can be nearer.
    if step.size == 0 or np.max(np.sum(np.abs(step), axis=0)) < np.pi:
        return None
    other = np.stack(
        (step[0] + np.pi, np.pi - angles[1, ..., 1:] - angles[1, ..., :-1], step[2] + np.pi)
    )
    nearer: npt.NDArray[np.bool_] = _turned_distance(other) < _turned_distance(step)
    return nearer


def _turned_distance(step: Angles) -> Array:
    """Return the sum of absolute differences (...) of steps (3, ...), whole turns left out."""
    distance: Array = np.sum(np.abs(step - TURN * np.round(step / TURN)), axis=0)
    return distance
