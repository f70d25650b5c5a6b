"""Shots made ready to be compared: in another unit of length, or cut to a time range."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from audit.model import Shot, Track, Tracks
from audit.model.poses import Player

Array = npt.NDArray[np.float64]


def scaled(shot: Shot, factor: float) -> Shot:
    """Return a shot in another unit of length: all lengths times a factor."""
    skeleton = replace(
        shot.skeleton,
        offsets=shot.skeleton.offsets * factor,
        tip_offsets=shot.skeleton.tip_offsets * factor,
    )
    channels, positions, tracks = shot.channels, shot.positions, shot.tracks
    if channels is not None:
        values = channels.values.copy()
        columns = channels.position_columns[channels.position_columns >= 0]
        values[:, columns] *= factor
        channels = replace(channels, values=values)
    if positions is not None:
        positions = positions * factor
    if tracks is not None:
        tracks = replace(
            tracks, positions=tuple(_scaled_track(track, factor) for track in tracks.positions)
        )
    return replace(shot, skeleton=skeleton, channels=channels, positions=positions, tracks=tracks)


def _scaled_track(track: Track | None, factor: float) -> Track | None:
    if track is None:
        return None
    tangents = {
        name: value * factor
        for name in ("in_tangents", "out_tangents")
        if (value := getattr(track, name)) is not None
    }
    return replace(track, values=track.values * factor, **tangents)


def cut(shot: Shot, times_s: Array) -> Shot:
    """Return a shot with a frame at each of some times, and nothing outside them.

    Parameters
    ----------
    shot
        Any shot.
    times_s : (T,)
        Increasing times.
    """
    pose = Player(shot).at(times_s)
    rotations = np.transpose(pose.rotations, (2, 1, 0))
    positions = np.transpose(pose.positions, (2, 1, 0))
    if pose.scales is None:
        return Shot(
            shot.skeleton,
            times_s,
            shot.source,
            rotations=rotations,
            positions=positions,
            has_rest_rotations=shot.has_rest_rotations,
        )
    each = range(len(shot.skeleton))
    tracks = Tracks(
        tuple(Track(times_s, rotations[:, joint]) for joint in each),
        tuple(Track(times_s, positions[:, joint]) for joint in each),
        tuple(Track(times_s, pose.scales[:, joint].T) for joint in each),
    )
    return Shot(
        shot.skeleton,
        times_s,
        shot.source,
        tracks=tracks,
        has_rest_rotations=shot.has_rest_rotations,
    )
