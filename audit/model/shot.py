"""A shot: one skeleton and the rotations of its joints over time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES, axis_indices
from audit.errors import ShapeError
from audit.model.frozen import Frozen, frozen_array
from audit.model.skeleton import Array, Indices, Skeleton
from audit.model.track import Track
from audit.model.world import World
from audit.rotations import multiply, quaternion_from_angles


@dataclass(frozen=True, slots=True)
class Source:
    """Where a shot came from.

    Attributes
    ----------
    file
        The path as it was given; in a file of several shots ``#`` and the shot's own name follow.
    format
        Name of the format, "memory" for a shot made in Python.
    sha256
        Of the file's bytes, None for a shot made in Python.
    own_name
        The shot's own name in a file of several shots, empty where the file holds one.
    """

    file: str
    format: str = "memory"
    sha256: str | None = None
    own_name: str = ""

    def shot_named(self, name: str) -> Source:
        """Return the source of one of several shots in this file."""
        return replace(self, file=f"{self.path}#{name}", own_name=name)

    @property
    def path(self) -> str:
        """The path of the file alone."""
        return self.file.removesuffix(f"#{self.own_name}") if self.own_name else self.file

    @property
    def label(self) -> str:
        """What people call the shot: the file's name without folders and suffix.

        In a file of several shots the shot's own name follows: "walk left" for ``takes/walk.glb#left``.
        """
        name = self.path.replace("\\", "/").rsplit("/", 1)[-1]
        return f"{name.rsplit('.', 1)[0] or name} {self.own_name}".rstrip()


@dataclass(frozen=True, eq=False)
class Channels(Frozen):
    """The numbers of a channel format as the file had them.

    Attributes
    ----------
    values : (F, C)
        One row a frame. Rotation columns in degrees: the turn away from the rest pose, in the joint's own axes.
        Position columns in the file's unit of length: the whole local position.
    rotation_columns : (J, 3)
        Column of each joint's X, Y and Z rotation, −1 where the file has none.
    position_columns : (J, 3)
        The same for the positions.
    """

    values: Array
    rotation_columns: Indices
    position_columns: Indices

    def __post_init__(self) -> None:
        freeze = object.__setattr__
        freeze(self, "values", frozen_array(self.values, "values", (None, None), copy=False))
        for name in ("rotation_columns", "position_columns"):
            columns = frozen_array(getattr(self, name), name, (None, 3), np.int64)
            if np.any(columns >= self.values.shape[1]):
                raise ShapeError(f"{name} points past the last channel")
            freeze(self, name, columns)

    def angles_rad(self, joints: npt.ArrayLike, order: str) -> Array:
        """Return the rotation channels of some joints that share an order.

        Parameters
        ----------
        joints : (N,)
            Places of the joints.
        order
            Their rotation order.

        Returns
        -------
        (3, N, F)
            Radians: outer, middle, inner channel; 0 where the file has no such channel.
        """
        columns = self.rotation_columns[np.asarray(joints)][:, axis_indices(order)]  # (N, 3)
        if not self.values.shape[1]:
            return np.zeros((3, len(columns), len(self.values)))
        angles = np.deg2rad(self.values.T[np.maximum(columns.T, 0)])
        if np.any(columns < 0):
            angles[columns.T < 0] = 0.0
        return np.ascontiguousarray(angles)


@dataclass(frozen=True, eq=False)
class Tracks:
    """The keys of a format in which every joint may have its own times.

    Attributes
    ----------
    rotations, positions, scales
        One track a joint; None where a joint keeps its rest value.
    length_errors
        For each joint how far the length of a rotation key was from one in the file, at the worst key and
        beyond what rounding to the file's own kind of number explains; 0 where it has no keys. The tracks
        hold the keys at unit length. None where nobody looked.
    """

    rotations: tuple[Track | None, ...]
    positions: tuple[Track | None, ...]
    scales: tuple[Track | None, ...]
    length_errors: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        for name in ("rotations", "positions", "scales"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        if self.length_errors is not None:
            errors = tuple(float(each) for each in self.length_errors)
            if len(errors) != len(self.rotations) or not np.all(np.isfinite(errors)):
                raise ShapeError(
                    f"length_errors should hold a finite number for each of {len(self.rotations)} "
                    "joints"
                )
            object.__setattr__(self, "length_errors", errors)
        for joint, track in enumerate(self.rotations):
            if track is None:
                continue
            key, _, length = worst_length(track.values[:, None])
            if abs(length - 1.0) > UNIT_LENGTH:
                raise ShapeError(
                    "rotation tracks should hold quaternions of unit length: key "
                    f"{key} of joint number {joint} has {length:.6g}"
                )


UNIT_LENGTH = 1e-5
"""How far the length of a rotation's quaternion may be from one: numbers with six decimals pass."""


def worst_length(quaternions: Array) -> tuple[int, int, float]:
    """Return frame, joint and length of the quaternion (F, J, 4) whose length is furthest from one."""
    if not quaternions.size:
        return 0, 0, 1.0
    # The sum of four squares as a matrix product, which numpy does several times as fast as a norm.
    squares = (quaternions * quaternions).reshape(-1, 4) @ np.ones(4)
    lengths = np.sqrt(squares).reshape(quaternions.shape[:-1])
    frame, joint = np.unravel_index(np.argmax(np.abs(lengths - 1.0)), lengths.shape)
    return int(frame), int(joint), float(lengths[frame, joint])


def time_weights(times_s: Array) -> Array:
    """Return the share of the time that each key stands for (K,), summing to 1.

    Half the gap to the key before and half the gap to the key after; a key at either end counts a full gap,
    so that even times give even weights.
    """
    gaps = np.diff(times_s) if len(times_s) > 1 else np.ones(1)
    padded = np.concatenate((gaps[:1], gaps, gaps[-1:]))[-len(times_s) - 1 :]
    weights = 0.5 * (padded[1:] + padded[:-1])
    weights = weights / np.sum(weights)
    weights.setflags(write=False)
    return weights


@dataclass(frozen=True, eq=False)
class Shot(Frozen):
    """One delivered file of animation: one skeleton, one time range.

    Give exactly one of ``channels``, ``rotations`` and ``tracks``: a format hands on what it has, and the
    rest follows from it when somebody asks.

    Attributes
    ----------
    skeleton
        The joints.
    times_s : (F,)
        Time of each frame in seconds, increasing.
    source
        Where the shot came from.
    channels
        The numbers of a channel format, None for others.
    rotations : (F, J, 4)
        Local rotations x, y, z, w, joint frame to parent frame, unit length; None where ``channels`` holds
        them.
    positions : (F, J, 3)
        Local positions in the parent's axes, None where they are the skeleton's offsets throughout or where
        ``channels`` or ``tracks`` hold them.
    tracks
        The keys of a format in which joints have their own times; ``times_s`` then holds all times at which
        any joint has a key.
    has_rest_rotations
        False for formats such as BVH, whose rest frames are aligned with the world and cannot be turned.
    turned : (J, 4)
        How far each joint's axes have been turned since the shot was read, as quaternions in the axes that
        the file had; None where they have not.
    origin
        What the shot's format keeps of the file, so that it can write back what it does not understand.
        Nobody else looks into it.
    every_frame
        True where the format, or the file, has a key on every channel at every frame.
    world
        What the file states about up, forward and the unit of length; None where it states nothing.
    """

    skeleton: Skeleton
    times_s: Array
    source: Source = field(default_factory=lambda: Source("untitled"))
    channels: Channels | None = None
    rotations: Array | None = None
    positions: Array | None = None
    tracks: Tracks | None = None
    every_frame: bool = True
    has_rest_rotations: bool = True
    turned: Array | None = None
    origin: object | None = None
    world: World | None = None

    def __post_init__(self) -> None:
        freeze = object.__setattr__
        freeze(self, "times_s", frozen_array(self.times_s, "times_s", (None,)))
        frames, joints = len(self.times_s), len(self.skeleton)
        if frames == 0:
            raise ShapeError("a shot needs at least one frame")
        if np.any(np.diff(self.times_s) <= 0.0):
            raise ShapeError("times_s should increase from frame to frame")
        given = [each is not None for each in (self.channels, self.rotations, self.tracks)]
        if sum(given) != 1:
            raise ShapeError(
                "a shot is made of channels, rotations or tracks: give exactly one of them"
            )
        if self.channels is not None:
            self._check_channels(self.channels)
        if self.tracks is not None:
            for name in ("rotations", "positions", "scales"):
                if len(getattr(self.tracks, name)) != joints:
                    raise ShapeError(f"tracks should be given for {joints} joints, and so {name}")
        if self.rotations is not None:
            shape = (frames, joints, 4)
            freeze(self, "rotations", frozen_array(self.rotations, "rotations", shape))
            frame, joint, length = worst_length(self.rotations)
            if abs(length - 1.0) > UNIT_LENGTH:
                raise ShapeError(
                    "rotations should hold quaternions of unit length: frame "
                    f"{frame}, joint {self.skeleton.names[joint]} has {length:.6g}"
                )
        if self.turned is not None:
            freeze(self, "turned", frozen_array(self.turned, "turned", (joints, 4)))
        if self.positions is not None:
            shape = (frames, joints, 3)
            freeze(self, "positions", frozen_array(self.positions, "positions", shape))

    def _check_channels(self, channels: Channels) -> None:
        """Raise ShapeError where the channels do not fit the skeleton and the times."""
        frames, joints = len(self.times_s), len(self.skeleton)
        if channels.values.shape[0] != frames:
            raise ShapeError(f"channels should have {frames} rows, one a frame")
        for name in ("rotation_columns", "position_columns"):
            if len(getattr(channels, name)) != joints:
                raise ShapeError(f"channels should have columns for {joints} joints, and so {name}")
        if any(order is None for order in self.skeleton.orders):
            raise ShapeError("a shot made of channels needs the rotation order of every joint")

    @property
    def frames(self) -> int:
        """The number of frames."""
        return len(self.times_s)

    @property
    def seconds(self) -> float:
        """Time from the first frame to the last."""
        return float(self.times_s[-1] - self.times_s[0])

    @cached_property
    def weights(self) -> Array:
        """Share of the time that each frame stands for (F,), summing to 1; see :func:`time_weights`."""
        return time_weights(self.times_s)

    @cached_property
    def rotation_keys(self) -> Indices:
        """How many keys each rotation channel (J, 3) holds: X, Y and Z, 0 where the file has no such channel.

        A key of a quaternion counts on all three.
        """
        keys = np.full((len(self.skeleton), 3), self.frames, dtype=np.int64)
        if self.channels is not None:
            keys[self.channels.rotation_columns < 0] = 0
        if self.tracks is not None:
            counts = [0 if each is None else len(each.times_s) for each in self.tracks.rotations]
            keys[:] = np.array(counts, dtype=np.int64)[:, None]
        keys.setflags(write=False)
        return keys

    def joint_times(self, joint: int) -> Array:
        """Return the times (K,) at which a joint has rotation keys: its own ones, or every frame."""
        if self.tracks is None:
            return self.times_s
        track = self.tracks.rotations[joint]
        return self.times_s[:1] if track is None else track.times_s

    def joint_rotations(self, joints: npt.ArrayLike) -> Array:
        """Return the local rotations of some joints, component first.

        Parameters
        ----------
        joints : (N,)
            Places of the joints. Where the shot is made of channels they share one rotation order, where it
            is made of tracks they share their key times.

        Returns
        -------
        (4, N, K)
            Unit quaternions, joint frame to parent frame, at :meth:`joint_times`.
        """
        places = np.asarray(joints)
        if self.tracks is not None:
            tracks = [self.tracks.rotations[int(place)] for place in places]
            rest = self.skeleton.rest_xyzw
            keys = [
                rest[place][:, None] if track is None else track.values.T
                for place, track in zip(places, tracks, strict=True)
            ]
            return np.stack(keys, axis=1)
        if self.rotations is not None:
            return np.ascontiguousarray(np.transpose(self.rotations[:, places], (2, 1, 0)))
        order = self.skeleton.orders[int(places[0])]
        if (
            self.channels is None
            or order is None
            or any(self.skeleton.orders[int(place)] != order for place in places)
        ):
            raise ShapeError("joints that are asked for together should share one rotation order")
        turns = quaternion_from_angles(self.channels.angles_rad(places, order), order)
        rest = self.skeleton.rest_xyzw[places].T
        if np.all(np.abs(rest[3]) == 1.0):
            return turns
        return multiply(rest[..., None], turns)

    @cached_property
    def rotations_xyzw(self) -> Array:
        """Local rotations of all joints (F, J, 4) at ``times_s``, worked out where need be."""
        if self.rotations is not None:
            return self.rotations
        result = np.zeros((self.frames, len(self.skeleton), 4))
        if self.tracks is not None:
            for joint, track in enumerate(self.tracks.rotations):
                rest = self.skeleton.rest_xyzw[joint]
                result[:, joint] = rest if track is None else track.at(self.times_s)
            result.setflags(write=False)
            return result
        for order in dict.fromkeys(self.skeleton.orders):
            places = np.flatnonzero([order == own for own in self.skeleton.orders])
            result[:, places] = np.transpose(self.joint_rotations(places), (2, 1, 0))
        result.setflags(write=False)
        return result

    @cached_property
    def local_positions(self) -> Array:
        """Local position of every joint at every frame (F, J, 3), in its parent's axes."""
        if self.positions is not None:
            return self.positions
        result = np.tile(self.skeleton.offsets, (self.frames, 1, 1))
        if self.tracks is not None:
            for joint, moved in enumerate(self.tracks.positions):
                if moved is not None:
                    result[:, joint] = moved.at(self.times_s)
        if self.channels is not None:
            columns = self.channels.position_columns
            for axis, _ in enumerate(AXES):
                moving = columns[:, axis] >= 0
                result[:, moving, axis] = self.channels.values[:, columns[moving, axis]]
        result.setflags(write=False)
        return result
