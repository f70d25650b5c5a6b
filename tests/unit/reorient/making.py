"""Shots of every make for the tests of turning axes, and a player of its own: SciPy and 4 × 4 matrices."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation, Slerp

from audit.conventions import axis_indices
from audit.model import Channels, Shot, Skeleton, Source, Track, Tracks
from tests.strategies import (
    as_channels,
    random_directions,
    random_quaternions,
    seeds,
    shots,
    skeletons,
)

Array = npt.NDArray[np.float64]
Make = Literal["plain channels", "channels", "rotations", "tracks"]

MAKES: tuple[Make, ...] = ("plain channels", "channels", "rotations", "tracks")
IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])


def some_axes(generator: np.random.Generator, count: int, share: float = 0.6) -> Array:
    """Return new axes (J, 4) for a share of the joints, identity for the others."""
    axes = random_quaternions(generator, count).T
    axes[generator.random(count) >= share] = IDENTITY
    return axes


@st.composite
def moving_shots(draw: st.DrawFn, *, make: Make | None = None) -> Shot:
    """Return a shot of any make: channels with and without rest rotations, rotations, tracks."""
    made = draw(st.sampled_from(MAKES)) if make is None else make
    generator = np.random.default_rng(draw(seeds))
    if made == "tracks":
        return tracked(draw(skeletons()), generator)
    if made == "rotations":
        shot = draw(shots(made_of="rotations"))
        if generator.random() < 0.5:
            size = (shot.frames, len(shot.skeleton), 3)
            return replace(shot, positions=generator.normal(size=size))
        return shot
    shot = as_channels(
        draw(
            shots(made_of="channels", rests=made == "channels").map(
                lambda each: replace(each, channels=None, rotations=each.rotations_xyzw)
            )
        )
    )
    shot = replace(shot, has_rest_rotations=made == "channels")
    return with_columns(shot, generator)


def with_columns(shot: Shot, generator: np.random.Generator) -> Shot:
    """Give some joints position channels, one of them or all, and take a rotation channel from others."""
    channels = shot.channels
    assert channels is not None
    count = len(shot.skeleton)
    rotations = np.array(channels.rotation_columns)
    rotations[generator.random((count, 3)) < 0.1] = -1
    positions = np.full((count, 3), -1)
    width = channels.values.shape[1]
    held = generator.random((count, 3)) < generator.choice([0.0, 0.5, 1.0], (count, 1))
    positions[held] = width + np.arange(held.sum())
    added = generator.normal(size=(shot.frames, held.sum()))
    values = np.hstack([channels.values, added])
    return replace(shot, channels=Channels(values, rotations, positions))


def tracked(skeleton: Skeleton, generator: np.random.Generator) -> Shot:
    """Return a shot of tracks: stepped, linear and cubic, some with times of their own; even scales."""
    clock = np.cumsum(generator.uniform(0.05, 0.5, 5))

    def track(values: Array, times: Array) -> Track:
        kind = str(generator.choice(["step", "linear", "cubic"]))
        if kind != "cubic" or len(times) < 2:
            return Track(times, values, "step" if kind == "step" else "linear")
        tangents = generator.normal(size=(2, *values.shape))
        return Track(times, values, "cubic", tangents[0], tangents[1])

    def times() -> Array:
        if generator.random() < 0.5:
            return clock
        return np.cumsum(generator.uniform(0.05, 0.5, generator.integers(1, 6)))

    rotations: list[Track | None] = []
    positions: list[Track | None] = []
    scales: list[Track | None] = []
    for _ in range(len(skeleton)):
        own = times()
        # Neighbouring keys less than a quarter turn apart: the short way between them leaves no doubt.
        steps = Rotation.from_rotvec(
            random_directions(generator, len(own)).T * generator.uniform(0.0, 1.4, (len(own), 1))
        )
        turns = [Rotation.from_quat(random_quaternions(generator))]
        for step in steps[1:]:
            turns.append(turns[-1] * step)
        signs = generator.choice([-1.0, 1.0], (len(own), 1))
        quaternions = np.stack([turn.as_quat() for turn in turns])
        made = track(quaternions, own)
        if made.interpolation != "cubic":
            made = replace(made, values=quaternions * signs)
        rotations.append(made if generator.random() < 0.8 else None)
        own = times()
        moved = generator.random() < 0.5
        positions.append(track(generator.normal(size=(len(own), 3)), own) if moved else None)
        own = times()
        even = generator.uniform(0.5, 2.0, (len(own), 1)) * np.ones(3)
        scales.append(Track(own, even) if generator.random() < 0.3 else None)
    given = [each for each in (*rotations, *positions, *scales) if each is not None]
    every = np.unique(np.concatenate([each.times_s for each in given] or [np.zeros(1)]))
    tracks = Tracks(tuple(rotations), tuple(positions), tuple(scales))
    return Shot(skeleton, every, Source("made.up"), tracks=tracks)


def asked_times(shot: Shot) -> Array:
    """Return times to look at: all keys, and for tracks many in between, before and behind."""
    if shot.tracks is None:
        return shot.times_s
    first, last = shot.times_s[0], shot.times_s[-1]
    return np.concatenate((shot.times_s, np.linspace(first - 0.1, last + 0.1, 23)))


def value_of(track: Track, times: Array) -> Array:
    """Return the values (T, n) of a track by SciPy's interpolators; rotations keep the signs they come with."""
    held = np.clip(times, track.times_s[0], track.times_s[-1])
    if track.interpolation == "step" or len(track.times_s) == 1:
        step: Array = track.values[np.searchsorted(track.times_s, held, "right") - 1]
        return step
    if track.interpolation == "cubic":
        result = np.zeros((len(held), track.values.shape[1]))
        place = np.clip(
            np.searchsorted(track.times_s, held, "right") - 1, 0, len(track.times_s) - 2
        )
        assert track.in_tangents is not None
        assert track.out_tangents is not None
        for row, (key, time) in enumerate(zip(place, held, strict=True)):
            ends = track.times_s[key : key + 2]
            values = track.values[key : key + 2]
            slopes = np.stack((track.out_tangents[key], track.in_tangents[key + 1]))
            result[row] = CubicHermiteSpline(ends, values, slopes)(time)
        return result
    if track.values.shape[1] == 4:
        turned: Array = Slerp(track.times_s, Rotation.from_quat(track.values))(held).as_quat()
        return turned
    return np.stack([np.interp(held, track.times_s, each) for each in track.values.T], axis=1)


def local_matrices(shot: Shot, times: Array) -> tuple[Array, Array]:
    """Return local rotations (T, J, 3, 3), and local transforms (T, J, 4, 4) with positions and scales.

    Shots of channels and rotations are posed at their frames, which ``times`` has to be.
    """
    skeleton, count = shot.skeleton, len(shot.skeleton)
    turns = np.zeros((len(times), count, 3, 3))
    places = np.tile(skeleton.offsets, (len(times), 1, 1))
    scales = np.tile(skeleton.rest_scales, (len(times), 1, 1))
    for joint in range(count):
        rest = Rotation.from_quat(skeleton.rest_xyzw[joint])
        if shot.tracks is not None:
            track = shot.tracks.rotations[joint]
            quaternions = (
                np.tile(skeleton.rest_xyzw[joint], (len(times), 1))
                if track is None
                else value_of(track, times)
            )
            turns[:, joint] = Rotation.from_quat(quaternions).as_matrix()
            for target, given in ((places, shot.tracks.positions), (scales, shot.tracks.scales)):
                track = given[joint]
                if track is not None:
                    target[:, joint] = value_of(track, times)
        elif shot.rotations is not None:
            turns[:, joint] = Rotation.from_quat(shot.rotations[:, joint]).as_matrix()
            if shot.positions is not None:
                places[:, joint] = shot.positions[:, joint]
        else:
            channels, order = shot.channels, skeleton.orders[joint]
            assert channels is not None
            assert order is not None
            angles = np.zeros((len(times), 3))
            for place, axis in enumerate(axis_indices(order)):
                column = channels.rotation_columns[joint, axis]
                if column >= 0:
                    angles[:, place] = channels.values[:, column]
            away = Rotation.from_euler(order, angles, degrees=True)
            turns[:, joint] = (rest * away).as_matrix()
            for axis, column in enumerate(channels.position_columns[joint]):
                if column >= 0:
                    places[:, joint, axis] = channels.values[:, column]
    local = np.zeros((len(times), count, 4, 4))
    local[..., :3, :3] = turns * scales[..., None, :]
    local[..., :3, 3] = places
    local[..., 3, 3] = 1.0
    return turns, local


def played(shot: Shot, times: Array | None = None) -> tuple[Array, Array]:
    """Return world rotations (T, J, 3, 3) and the world transforms (T, J, 4, 4) with scales in them."""
    turns, local = local_matrices(shot, asked_times(shot) if times is None else times)
    for joint, parent in enumerate(shot.skeleton.parents):
        if parent >= 0:
            turns[:, joint] = turns[:, parent] @ turns[:, joint]
            local[:, joint] = local[:, parent] @ local[:, joint]
    return turns, local


def tips_of(shot: Shot, world: Array) -> Array:
    """Return the world positions (T, N, 3) of the tips."""
    skeleton = shot.skeleton
    ends = np.column_stack((skeleton.tip_offsets, np.ones(len(skeleton.tip_joints))))
    placed: Array = np.einsum("tnrc,nc->tnr", world[:, skeleton.tip_joints], ends)[..., :3]
    return placed
