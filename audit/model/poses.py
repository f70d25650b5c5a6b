"""The local pose of a shot at any times: at its keys and between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from audit.model.shot import Shot
from audit.model.track import Interpolation, Track, between, places_between

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


class Pose(NamedTuple):
    """Local rotations (4, J, T), positions (3, J, T) and scales (3, J, T), None where all are 1."""

    rotations: Array
    positions: Array
    scales: Array | None


@dataclass(frozen=True, slots=True)
class _Clock:
    """Keys of joints that share their times and the rule for what lies between them.

    Attributes
    ----------
    joints : (N,)
    times_s : (K,)
    interpolation
    values : (n, N, K)
    in_tangents, out_tangents : (n, N, K)
        Only for ``cubic``.
    """

    joints: Indices
    times_s: Array
    interpolation: Interpolation
    values: Array
    in_tangents: Array | None
    out_tangents: Array | None

    def at(self, before: Indices, share: Array) -> Array:
        """Return the values (n, N, T) between keys; see :func:`audit.model.track.places_between`."""
        after = np.minimum(before + 1, len(self.times_s) - 1)
        start, end = _columns(self.values, before), _columns(self.values, after)
        leave = arrive = None
        if self.in_tangents is not None and self.out_tangents is not None:
            gap = self.times_s[after] - self.times_s[before]
            leave = gap * self.out_tangents[..., before]
            arrive = gap * self.in_tangents[..., after]
        return between(self.interpolation, start, end, share, leave, arrive)


def _columns(values: Array, places: Indices) -> Array:
    """Return some columns, without a copy where they stand one behind the other."""
    if len(places) and places[-1] - places[0] == len(places) - 1 and np.all(np.diff(places) == 1):
        return values[..., places[0] : places[-1] + 1]
    return values[..., places]


class Player:
    """A shot made ready to be posed at any time.

    Parameters
    ----------
    shot
        Any shot. Between the frames of a shot made of channels or rotations, joints turn the straight way.
    """

    def __init__(self, shot: Shot) -> None:
        skeleton, joints = shot.skeleton, len(shot.skeleton)
        self._rest = (skeleton.rest_xyzw.T, skeleton.offsets.T, skeleton.rest_scales.T)
        self._scaled = bool(np.any(skeleton.rest_scales != 1.0))
        everywhere = np.arange(joints)
        if shot.tracks is None:
            self._rotations = [_framed(shot, shot.rotations_xyzw.T, everywhere)]
            positions = shot.local_positions
            moving = np.flatnonzero(np.any(positions != skeleton.offsets, axis=(0, 2)))
            chosen = np.transpose(positions[:, moving], (2, 1, 0))
            self._positions = [_framed(shot, chosen, moving)] if len(moving) else []
            self._scales: list[_Clock] = []
        else:
            self._rotations = _clocks(shot.tracks.rotations)
            self._positions = _clocks(shot.tracks.positions)
            self._scales = _clocks(shot.tracks.scales)

    def at(self, times_s: Array) -> Pose:
        """Return the local pose of all joints at some times (T,); beyond either end the pose holds.

        The arrays are for reading: some share memory with the shot's keys.
        """
        found: dict[int, tuple[Indices, Array]] = {}

        def filled(clocks: Sequence[_Clock], rest: Array) -> Array:
            still = np.ones(rest.shape[1], dtype=bool)
            result = None
            for clock in clocks:
                key = id(clock.times_s)
                if key not in found:
                    found[key] = places_between(clock.times_s, times_s)
                values = clock.at(*found[key])
                if len(clock.joints) == len(still):
                    return values  # all joints on one clock, as most files have it: nothing to put together
                if result is None:
                    result = np.zeros((*rest.shape, len(times_s)))
                result[:, clock.joints] = values
                still[clock.joints] = False
            if result is None:
                return np.broadcast_to(rest[..., None], (*rest.shape, len(times_s)))
            result[:, still] = rest[:, still, None]
            return result

        rotations, positions, scales = self._rest
        return Pose(
            filled(self._rotations, rotations),
            filled(self._positions, positions),
            filled(self._scales, scales) if self._scaled or self._scales else None,
        )


def _framed(shot: Shot, values: Array, joints: Indices) -> _Clock:
    """Return one clock for values (n, N, F) that are there at every frame."""
    return _Clock(joints, shot.times_s, "linear", np.ascontiguousarray(values), None, None)


def _clocks(tracks: Sequence[Track | None]) -> list[_Clock]:
    """Return the tracks as clocks: each holds the joints that are alike."""
    alike: dict[tuple[bytes, str], list[int]] = {}
    shared: dict[int, bytes] = {}
    for joint, track in enumerate(tracks):
        if track is not None:
            times = track.times_s
            stamp = shared.setdefault(id(times), times.tobytes())
            alike.setdefault((stamp, track.interpolation), []).append(joint)
    clocks = []
    for joints in alike.values():
        some = [track for joint in joints if (track := tracks[joint]) is not None]

        def stacked(name: str, some: list[Track] = some) -> Array | None:
            arrays = [getattr(track, name) for track in some]
            if arrays[0] is None:
                return None
            return np.stack([array.T for array in arrays], axis=1)

        values = np.stack([track.values.T for track in some], axis=1)
        clocks.append(
            _Clock(
                np.array(joints),
                some[0].times_s,
                some[0].interpolation,
                values,
                stacked("in_tangents"),
                stacked("out_tangents"),
            )
        )
    return clocks
