"""A shot as the columns of a new table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.errors import UsageError
from audit.model import Shot, Skeleton, Track
from audit.tables.cells import Array, Indices
from audit.tables.columns import ANGLES, OFFSET, ORDER, POSITION, QUATERNION, REST, TIP


@dataclass(frozen=True, eq=False)
class Columns:
    """The columns of a table to be written, in the order in which they stand.

    Attributes
    ----------
    texts
        For each column of words the place of every row's word (R,) in a list of words; "" for an empty cell.
    numbers
        For each column of numbers its numbers (R,), NaN for an empty cell.
    """

    texts: dict[str, tuple[Indices, list[str]]]
    numbers: dict[str, Array]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all columns as they stand in a file: joint, parent, time, order, then the rest."""
        rest = [name for name in self.numbers if name != "time_s"]
        order = [ORDER] if ORDER in self.texts else []
        return ("joint", "parent", "time_s", *order, *rest)


def fresh(shot: Shot) -> Columns:
    """Return a shot as the columns of a new table.

    Parameters
    ----------
    shot
        Any shot without scales whose keys are joined by straight lines. One made of channels keeps its
        angles, any other gets quaternions.

    Returns
    -------
    Columns
        Joint by joint, key by key. What is said of a joint as a whole stands in the first of its rows, but for
        parent and rotation order, which stand in all. A joint without keys has one row without a time.

    Raises
    ------
    UsageError
        Where a table cannot hold the shot.
    """
    check(shot)
    skeleton = shot.skeleton
    rotation_names = QUATERNION if shot.channels is None else ANGLES
    blocks = [_keys(shot, joint) for joint in range(len(skeleton))]
    if all(not len(times) for times, _, _ in blocks):
        # Nothing is keyed, but somebody has to say the times.
        empty = np.full((shot.frames, 1), np.nan)
        blocks[0] = (shot.times_s, empty.repeat(len(rotation_names), 1), empty.repeat(3, 1))
    lengths = np.array([max(len(times), 1) for times, _, _ in blocks])
    place = np.repeat(np.arange(len(skeleton)), lengths)
    first = np.cumsum(lengths) - lengths
    single = np.full((1, 1), np.nan)
    times = np.concatenate([each if len(each) else single[0] for each, _, _ in blocks])
    rotation = np.concatenate(
        [each if len(each) else single.repeat(len(rotation_names), 1) for _, each, _ in blocks]
    )
    position = np.concatenate([each if len(each) else single.repeat(3, 1) for _, _, each in blocks])
    numbers = {"time_s": times} | _split(rotation_names, rotation)
    if not np.all(np.isnan(position)):
        numbers |= _split(POSITION, position)

    def said(names: tuple[str, ...], joints: Indices, values: Array) -> dict[str, Array]:
        whole = np.full((len(place), len(names)), np.nan)
        whole[first[joints]] = values
        return _split(names, whole)

    every = np.arange(len(skeleton))
    if np.any(skeleton.rest_xyzw != [0.0, 0.0, 0.0, 1.0]):
        numbers |= said(REST, every, skeleton.rest_xyzw)
    numbers |= said(OFFSET, every, skeleton.offsets)
    if len(skeleton.tip_joints):
        numbers |= said(TIP, skeleton.tip_joints, skeleton.tip_offsets)
    texts = {
        "joint": (place, list(skeleton.names)),
        "parent": (np.append(skeleton.parents, -1)[place] + 1, ["", *skeleton.names]),
    }
    if any(order is not None for order in skeleton.orders):
        texts[ORDER] = (place, [order or "" for order in skeleton.orders])
    return Columns(texts, numbers)


def _split(names: tuple[str, ...], values: Array) -> dict[str, Array]:
    return {name: values[:, column].copy() for column, name in enumerate(names)}


def check(shot: Shot) -> None:
    """Raise UsageError where a table cannot hold a shot."""
    skeleton = shot.skeleton
    _check_names(skeleton)
    tracks = shot.tracks
    scaled = tracks is not None and any(each is not None for each in tracks.scales)
    if scaled or np.any(skeleton.rest_scales != 1.0):
        raise UsageError(
            "a table has no scales, but this shot has", hint="Write a format that has them"
        )
    for track in () if tracks is None else (*tracks.rotations, *tracks.positions):
        if track is not None and len(track.times_s) > 1 and track.interpolation != "linear":
            raise UsageError(
                f"a table joins keys by straight lines, but this shot has {track.interpolation} ones",
                hint="Resample the shot first, or write a format that has such keys",
            )
    if len(set(skeleton.tip_joints.tolist())) < len(skeleton.tip_joints):
        raise UsageError(
            "a table holds one end point a joint, but this skeleton has joints with several",
            hint="Write a format that holds several",
        )


def _check_names(skeleton: Skeleton) -> None:
    """Raise UsageError where names repeat, or are no text that can stand in a cell."""
    seen: set[str] = set()
    for name in skeleton.names:
        if name in seen:
            raise UsageError(
                f"a table tells joints apart by name, but {name!r} is there twice",
                hint="Rename one of them",
            )
        seen.add(name)
        try:
            name.encode("utf-8")
        except UnicodeEncodeError:
            fine = False
        else:
            fine = bool(name) and not set(name) & set("\0\r\n")
        if not fine:
            raise UsageError(
                f"a table cannot hold the joint name {name!r}",
                hint="Rename it: no line endings, and not empty",
            )


def _keys(shot: Shot, joint: int) -> tuple[Array, Array, Array]:
    """Return times (K,), rotations (K, 3 or 4) and positions (K, 3) of a joint's keys, NaN where none is."""
    if shot.tracks is not None:
        turning, moving = shot.tracks.rotations[joint], shot.tracks.positions[joint]
        own = [track.times_s for track in (turning, moving) if track is not None]
        times = np.unique(np.concatenate(own)) if own else np.zeros(0)
        return times, _at(turning, times, 4), _at(moving, times, 3)
    position = np.full((shot.frames, 3), np.nan)
    rotation = shot.rotations_xyzw[:, joint] if shot.channels is None else position
    if shot.channels is not None:
        rotation = picked(shot.channels.values, shot.channels.rotation_columns[joint], np.nan)
        position = picked(shot.channels.values, shot.channels.position_columns[joint], np.nan)
    if shot.positions is not None:
        moved = np.any(shot.positions[:, joint] != shot.skeleton.offsets[joint])
        position = shot.positions[:, joint] if moved else np.full((shot.frames, 3), np.nan)
    if np.all(np.isnan(rotation)) and np.all(np.isnan(position)):
        return np.zeros(0), rotation[:0], position[:0]
    return shot.times_s, rotation, position


def picked(values: Array, columns: Indices, missing: float) -> Array:
    """Return some columns (F, n) of values (F, C); where a column is −1, a number in its place."""
    result = np.full((len(values), len(columns)), missing)
    result[:, columns >= 0] = values[:, columns[columns >= 0]]
    return result


def _at(track: Track | None, times_s: Array, width: int) -> Array:
    """Return the keys of a track among some times (K, n), NaN where it has none."""
    result = np.full((len(times_s), width), np.nan)
    if track is not None:
        result[np.searchsorted(times_s, track.times_s)] = track.values
    return result
