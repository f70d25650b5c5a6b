"""A track: the keys of one property of one joint, at their own times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError
from audit.model.frozen import Frozen, frozen_array

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Interpolation = Literal["step", "linear", "cubic"]

HALF_WAY = 1e-9
"""How far from one half a share may be and still count as that: times are seldom exact to the last bit."""


@dataclass(frozen=True, eq=False)
class Track(Frozen):
    """Keys with a rule for what lies between them.

    Attributes
    ----------
    times_s : (K,)
        Increasing times of the keys.
    values : (K, n)
        One row a key: four numbers x, y, z, w of a unit quaternion, or three of a position or scale.
    interpolation
        ``step`` holds the earlier key, ``linear`` goes straight (on the sphere for quaternions), ``cubic``
        is a Hermite spline through the keys with the tangents, made unit length for quaternions.
    in_tangents, out_tangents : (K, n)
        Change per second where the curve comes to each key and where it leaves it; only for ``cubic``.
    """

    times_s: Array
    values: Array
    interpolation: Interpolation = "linear"
    in_tangents: Array | None = None
    out_tangents: Array | None = None

    def __post_init__(self) -> None:
        freeze = object.__setattr__
        freeze(self, "times_s", frozen_array(self.times_s, "times_s", (None,)))
        keys = len(self.times_s)
        freeze(self, "values", frozen_array(self.values, "values", (keys, None)))
        if keys == 0:
            raise ShapeError("a track needs at least one key")
        if np.any(np.diff(self.times_s) <= 0.0):
            raise ShapeError("times_s should increase from key to key")
        if (self.interpolation == "cubic") != (self.in_tangents is not None) or (
            (self.in_tangents is None) != (self.out_tangents is None)
        ):
            raise ShapeError(
                "in_tangents and out_tangents belong to cubic tracks, and to those only"
            )
        for name in ("in_tangents", "out_tangents"):
            tangents = getattr(self, name)
            if tangents is not None:
                freeze(self, name, frozen_array(tangents, name, self.values.shape))

    @classmethod
    def from_checked(
        cls, times_s: Array, values: Array, interpolation: Literal["step", "linear"] = "linear"
    ) -> Self:
        """Return a track of keys that the caller has looked through, without copying them.

        For formats: the constructor copies the keys and looks through them once more, the times for every joint
        that shares them, and on a long shot that takes twice as long as the reading.

        Parameters
        ----------
        times_s : (K,)
            Finite, increasing, one at least. Becomes read-only.
        values : (K, n)
            Finite, float64. Becomes read-only; nobody else may hold an array that can write to it.
        interpolation
            ``step`` or ``linear``.
        """
        track = cls.__new__(cls)
        for array in (times_s, values):
            array.setflags(write=False)
        # Past the checks of __post_init__, and so past the generated constructor that calls it.
        fill = object.__setattr__
        fill(track, "times_s", times_s)
        fill(track, "values", values)
        fill(track, "interpolation", interpolation)
        fill(track, "in_tangents", None)
        fill(track, "out_tangents", None)
        return track

    def at(self, times_s: npt.ArrayLike) -> Array:
        """Return the values (T, n) at some times (T,); before the first key and after the last they hold.

        The rules are those of glTF 2.0, appendix C: the short way round for quaternions; at a key's own time
        the key's own value.
        """
        times = np.asarray(times_s, dtype=np.float64)
        before, share = places_between(self.times_s, times)
        after = np.minimum(before + 1, len(self.times_s) - 1)
        leave = arrive = None
        if self.in_tangents is not None and self.out_tangents is not None:
            gap = self.times_s[after] - self.times_s[before]
            leave = gap * self.out_tangents[before].T
            arrive = gap * self.in_tangents[after].T
        start, end = self.values[before].T, self.values[after].T
        return between(self.interpolation, start, end, share, leave, arrive).T


def places_between(keys_s: Array, times_s: Array) -> tuple[Indices, Array]:
    """Return between which keys some times lie.

    Parameters
    ----------
    keys_s : (K,)
        Increasing times of the keys.
    times_s : (T,)
        Any times.

    Returns
    -------
    before : (T,)
        Place of the key at or before each time, the first where there is none.
    share : (T,)
        How far on the way to the next key, 0 to below 1; 0 at the last key and beyond either end.
    """
    before = np.maximum(np.searchsorted(keys_s, times_s, side="right") - 1, 0)
    after = np.minimum(before + 1, len(keys_s) - 1)
    gap = np.where(after > before, keys_s[after] - keys_s[before], 1.0)
    share = np.clip((times_s - keys_s[before]) / gap, 0.0, 1.0)
    return before, np.where(after > before, share, 0.0)


def between(
    interpolation: Interpolation,
    start: Array,
    end: Array,
    share: Array,
    leave: Array | None = None,
    arrive: Array | None = None,
) -> Array:
    """Return what lies between two keys, component first.

    Parameters
    ----------
    interpolation
        The rule; see :class:`Track`.
    start, end : (n, ..., T)
        The keys on either side: x, y, z, w of unit quaternions, or three numbers.
    share : (T,)
        How far on the way from start to end.
    leave, arrive : (n, ..., T)
        Tangents times the gap between the keys; only for ``cubic``.

    Returns
    -------
    (n, ..., T)
        Where the share is 0 the start itself.
    """
    if interpolation == "step" or not share.any():
        return start
    at_keys = share == 0.0
    if leave is not None and arrive is not None:
        inner = _hermite(start, end, leave, arrive, share)
    elif len(start) == 4:
        inner = _slerp(start, end, share)
    else:
        inner = start + (end - start) * share
    return np.where(at_keys, start, inner) if at_keys.any() else inner


def _hermite(start: Array, end: Array, leave: Array, arrive: Array, share: Array) -> Array:
    """Return the cubic Hermite spline (n, ..., T) between two keys, at unit length for quaternions."""
    s2, s3 = share**2, share**3
    spline: Array = (
        (2 * s3 - 3 * s2 + 1) * start
        + (s3 - 2 * s2 + share) * leave
        + (3 * s2 - 2 * s3) * end
        + (s3 - s2) * arrive
    )
    return _unit(spline) if len(spline) == 4 else spline


def _slerp(start: Array, end: Array, share: Array) -> Array:
    """Return quaternions (4, ..., T) between two, the short way round (K. Shoemake, SIGGRAPH 1985)."""
    if np.all(np.abs(share - 0.5) < HALF_WAY):
        return _half_way(start, end)
    cosine = np.sum(start * end, axis=0)
    if np.any(cosine < 0.0):
        end = np.where(cosine < 0.0, -end, end)
    # The angle from its half: precise for small ones, where the arccosine of the product is not.
    apart, together = start - end, start + end
    half = np.arctan2(
        np.sqrt(np.sum(apart * apart, axis=0)), np.sqrt(np.sum(together * together, axis=0))
    )
    sine = np.sin(2.0 * half)
    small = sine < 1e-9
    safe = np.where(small, 1.0, sine)
    first = np.where(small, 1.0 - share, np.sin((1.0 - share) * 2.0 * half) / safe)
    second = np.where(small, share, np.sin(share * 2.0 * half) / safe)
    return _unit(first * start + second * end)


def _half_way(start: Array, end: Array) -> Array:
    """Return quaternions (4, ..., T) half-way between two, the short way round.

    What Shoemake's formula comes to, at a tenth of the cost. The sum of two unit quaternions is shorter than √2
    where they are more than a right angle apart; there the short way leads to the other's opposite.
    """
    middle = start + end
    squares = np.einsum("i...,i...->...", middle, middle)
    if np.any(squares < 2.0):
        middle = np.where(squares < 2.0, start - end, middle)
        return _unit(middle)
    middle /= np.sqrt(squares)
    return middle


def _unit(quaternion: Array) -> Array:
    """Return quaternions (4, ..., T) at unit length."""
    x, y, z, w = quaternion
    unit: Array = quaternion / np.sqrt(x * x + y * y + z * z + w * w)
    return unit
