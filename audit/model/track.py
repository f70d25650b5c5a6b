"""A track: the keys of one property of one joint, at their own times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError
from audit.model.frozen import Frozen, frozen_array

Array = npt.NDArray[np.float64]
Interpolation = Literal["step", "linear", "cubic"]


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

    def at(self, times_s: npt.ArrayLike) -> Array:
        """Return the values (T, n) at some times (T,); before the first key and after the last they hold.

        The rules are those of glTF 2.0, appendix C: the short way round for quaternions; at a key's own time
        the key's own value.
        """
        times = np.asarray(times_s, dtype=np.float64)
        if len(self.times_s) == 1:
            return np.tile(self.values, (len(times), 1))
        before = np.clip(
            np.searchsorted(self.times_s, times, side="right") - 1, 0, len(self.times_s) - 2
        )
        gap = self.times_s[before + 1] - self.times_s[before]
        share = np.clip((times - self.times_s[before]) / gap, 0.0, 1.0)[:, None]
        start, end = self.values[before], self.values[before + 1]
        if self.interpolation == "step":
            return np.where(share < 1.0, start, end)
        if self.in_tangents is not None and self.out_tangents is not None:
            leave = gap[:, None] * self.out_tangents[before]
            arrive = gap[:, None] * self.in_tangents[before + 1]
            between = _hermite(start, end, leave, arrive, share)
        elif self.values.shape[1] == 4:
            between = _slerp(start, end, share)
        else:
            between = start + (end - start) * share
        return np.where(share == 0.0, start, np.where(share == 1.0, end, between))


def _hermite(start: Array, end: Array, leave: Array, arrive: Array, share: Array) -> Array:
    """Return the cubic Hermite spline (T, n) between two keys, at unit length for quaternions."""
    s2, s3 = share**2, share**3
    spline: Array = (
        (2 * s3 - 3 * s2 + 1) * start
        + (s3 - 2 * s2 + share) * leave
        + (3 * s2 - 2 * s3) * end
        + (s3 - s2) * arrive
    )
    if spline.shape[1] == 4:
        spline = spline / np.linalg.norm(spline, axis=1, keepdims=True)
    return spline


def _slerp(start: Array, end: Array, share: Array) -> Array:
    """Return quaternions (T, 4) between two, the short way round (K. Shoemake, SIGGRAPH 1985)."""
    cosine = np.sum(start * end, axis=1, keepdims=True)
    end = np.where(cosine < 0.0, -end, end)
    # The angle from its half: precise for small ones, where the arccosine of the product is not.
    half = np.arctan2(
        np.linalg.norm(start - end, axis=1, keepdims=True),
        np.linalg.norm(start + end, axis=1, keepdims=True),
    )
    sine = np.sin(2.0 * half)
    small = sine < 1e-9
    safe = np.where(small, 1.0, sine)
    first = np.where(small, 1.0 - share, np.sin((1.0 - share) * 2.0 * half) / safe)
    second = np.where(small, share, np.sin(share * 2.0 * half) / safe)
    mixed = first * start + second * end
    unit: Array = mixed / np.linalg.norm(mixed, axis=1, keepdims=True)
    return unit
