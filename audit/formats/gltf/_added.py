"""Arrays that are added to a glTF file, behind what its buffer holds."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.errors import UsageError
from audit.formats.gltf._json import Json
from audit.model import Track

Array = npt.NDArray[np.float64]

KINDS = {1: "SCALAR", 3: "VEC3", 4: "VEC4", 16: "MAT4"}
INTERPOLATIONS = {"step": "STEP", "linear": "LINEAR", "cubic": "CUBICSPLINE"}


class Added:
    """New accessors, their two buffer views, and their bytes.

    Keys and matrices get a view each, as the standard wants what is used differently kept apart.

    Parameters
    ----------
    first_accessor, first_view, buffer
        The number that the first new accessor and the first new buffer view get, and that of their buffer.
    start
        The length of what the buffer holds already, a multiple of four.
    """

    def __init__(self, first_accessor: int, first_view: int, buffer: int, start: int) -> None:
        self._first_accessor = first_accessor
        self._first_view = first_view
        self._buffer = buffer
        self._start = start
        self._parts: dict[str, list[bytes]] = {"keys": [], "matrices": []}
        self._waiting: list[tuple[str, int, dict[str, Json]]] = []
        self._times: dict[bytes, int] = {}

    def __bool__(self) -> bool:
        """Tell whether anything has been added."""
        return bool(self._waiting)

    def _add(self, values: Array, use: str, more: dict[str, Json] | None = None) -> int:
        """Add an array (K, n) as 32-bit floats and return the number of its accessor."""
        parts = self._parts[use]
        accessor = {
            "componentType": 5126,
            "count": len(values),
            "type": KINDS[values.shape[1]],
        }
        self._waiting.append((use, sum(map(len, parts)), accessor | (more or {})))
        parts.append(_floats(values).tobytes())
        return self._first_accessor + len(self._waiting) - 1

    def times(self, times_s: Array) -> int:
        """Add times of keys, the same ones only once; UsageError where they are no times for glTF."""
        stored = _floats(times_s)
        if stored[0] < 0.0:
            raise UsageError(
                "glTF has no times before 0 s", hint="Move the keys so that the first is at 0 s"
            )
        if np.any(np.diff(stored) <= 0.0):
            raise UsageError(
                "glTF keeps times as 32-bit numbers, and some of these keys are too close together for that",
                hint="Move the keys apart, or nearer to 0 s",
            )
        data = stored.tobytes()
        if data not in self._times:
            ends = {"min": [float(stored[0])], "max": [float(stored[-1])]}
            self._times[data] = self._add(times_s[:, None], "keys", ends)
        return self._times[data]

    def values(self, track: Track) -> int:
        """Add the values of a track, with their tangents where it has some."""
        if track.in_tangents is None or track.out_tangents is None:
            return self._add(track.values, "keys")
        three = np.stack((track.in_tangents, track.values, track.out_tangents), axis=1)
        return self._add(three.reshape(-1, track.values.shape[1]), "keys")

    def sampler(self, track: Track) -> dict[str, Json]:
        """Add all of a track and return its sampler."""
        return {
            "input": self.times(track.times_s),
            "output": self.values(track),
            "interpolation": INTERPOLATIONS[track.interpolation],
        }

    def matrices(self, values: Array) -> int:
        """Add matrices (K, 4, 4) for column vectors."""
        return self._add(np.swapaxes(values, 1, 2).reshape(-1, 16), "matrices")

    def accessors(self) -> list[dict[str, Json]]:
        """Return the new accessors."""
        used = [use for use, parts in self._parts.items() if parts]
        return [
            {"bufferView": self._first_view + used.index(use), "byteOffset": offset} | accessor
            for use, offset, accessor in self._waiting
        ]

    def views(self) -> list[dict[str, Json]]:
        """Return the new buffer views."""
        views = []
        place = self._start
        for parts in self._parts.values():
            length = sum(map(len, parts))
            if length:
                views.append({"buffer": self._buffer, "byteOffset": place, "byteLength": length})
                place += length
        return views

    def pieces(self) -> list[bytes]:
        """Return the new bytes, in the pieces in which they came."""
        return [part for parts in self._parts.values() for part in parts]


def _floats(values: Array) -> npt.NDArray[np.float32]:
    """Return values as 32-bit floats; UsageError where one is too large for that."""
    if np.max(np.abs(values), initial=0.0) > np.finfo(np.float32).max:
        raise UsageError(
            "glTF keeps keys as 32-bit numbers, and one of these is too large for that",
            hint="Scale the shot down",
        )
    return np.ascontiguousarray(values, dtype="<f4")
