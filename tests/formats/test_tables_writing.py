"""Tables of motion written: byte for byte where nothing was turned, exact where something else is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import UsageError
from audit.formats import csv_table
from audit.model import Shot, Skeleton, Track, Tracks
from audit.model.kinematics import world_transforms
from audit.plugins import Format
from audit.rotations import multiply
from tests.formats.tables_making import (
    ANGLES,
    QUATERNIONS,
    TABLES,
    Array,
    as_format,
    frame_of,
    shot_of,
    turned,
    written,
)
from tests.strategies import random_quaternions, shots, turn_between

each_table = pytest.mark.parametrize("each", TABLES, ids=lambda each: each.name)

OWN_TIMES = b"""joint,parent,time_s,rotate_x,rotate_y,rotate_z,rotation_order,\
rest_x,rest_y,rest_z,rest_w,position_x,position_y,position_z,offset_x,offset_y,offset_z
A,,0,90,0,0,XYZ,0,0,0.6,0.8,1,2,3,0,0,0
A,,1,0,0,90,,,,,,,,,,,
B,A,0.5,,30,,ZYX,,,,,,,,0,1,0
B,A,0.75,,,,,,,,,0,1,0.5,,,
C,B,,,,,,,,,,,,,0,1,0
"""

TEXTS = (ANGLES, QUATERNIONS, OWN_TIMES)


def world(shot: Shot, times_s: Array) -> tuple[Array, Array]:
    """Return world rotations (4, J, T) and positions (3, J, T) at some times."""
    count = len(shot.skeleton)
    if shot.tracks is None:
        assert shot.times_s.tolist() == times_s.tolist()
        return world_transforms(
            shot.skeleton,
            np.ascontiguousarray(shot.rotations_xyzw.T),
            np.ascontiguousarray(shot.local_positions.T),
        )[:2]
    rotations = np.tile(shot.skeleton.rest_xyzw.T[..., None], (1, 1, len(times_s)))
    positions = np.tile(shot.skeleton.offsets.T[..., None], (1, 1, len(times_s)))
    for joint in range(count):
        turning, moving = shot.tracks.rotations[joint], shot.tracks.positions[joint]
        if turning is not None:
            rotations[:, joint] = turning.at(times_s).T
        if moving is not None:
            positions[:, joint] = moving.at(times_s).T
    return world_transforms(shot.skeleton, rotations, positions)[:2]


def assert_same_motion(before: Shot, after: Shot, turns: dict[str, Array], between: bool) -> None:
    """Check that joints stand where they stood, in axes turned by just so much."""
    times = before.times_s
    if between and before.tracks is not None and after.tracks is not None:
        times = np.unique(np.concatenate((times, np.linspace(times[0], times[-1], 23))))
    assert after.times_s.tolist() == before.times_s.tolist()
    old, places = world(before, times)
    new, moved = world(after, times)
    assert moved == pytest.approx(places, abs=1e-12)
    identity = np.array([0.0, 0.0, 0.0, 1.0])
    for joint, name in enumerate(before.skeleton.names):
        wanted = multiply(old[:, joint], turns.get(name, identity)[:, None])
        assert turn_between(new[:, joint], wanted).max() < 1e-12
        count = [len(each.joint_times(joint)) for each in (before, after)]
        assert count[0] == count[1]


@each_table
@pytest.mark.parametrize("text", TEXTS)
def test_untouched_tables_come_back_byte_for_byte(each: Format, text: bytes) -> None:
    data = as_format(each, text)
    assert written(each, shot_of(each, data)) == data


@each_table
@pytest.mark.parametrize("text", TEXTS)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), chosen=st.sets(st.integers(0, 3), min_size=1))
def test_any_turns_move_nothing(each: Format, text: bytes, seed: int, chosen: set[int]) -> None:
    before = shot_of(each, as_format(each, text))
    names = before.skeleton.names
    quaternions = random_quaternions(np.random.default_rng(seed), 4)
    turns = {names[joint]: quaternions[:, joint] for joint in chosen if joint < len(names)}
    shot = turned(before, turns)
    after = shot_of(each, written(each, shot))
    assert after.skeleton.tip_offsets == pytest.approx(shot.skeleton.tip_offsets, abs=1e-15)
    # Angles put a rotation of more than half a turn on another path between keys; quaternions do not.
    assert_same_motion(before, after, turns, between=text is QUATERNIONS)
    undone = turned(after, {name: turn * [-1, -1, -1, 1] for name, turn in turns.items()})
    assert_same_motion(
        before, shot_of(each, written(each, undone)), {}, between=text is QUATERNIONS
    )


@each_table
def test_the_comparison_can_fail(each: Format) -> None:
    before = shot_of(each, as_format(each, QUATERNIONS))
    turn = np.array([np.sin(5e-6), 0.0, 0.0, np.cos(5e-6)])
    after = shot_of(each, written(each, turned(before, {"Hips": turn})))
    assert_same_motion(before, after, {"Hips": turn}, between=True)
    for turns in ({}, {"Hips": turn * [-1, 1, 1, 1]}):
        with pytest.raises(AssertionError):
            assert_same_motion(before, after, turns, between=True)


def test_rows_that_are_not_concerned_stay_as_they_are() -> None:
    before = shot_of(csv_table.FORMAT, ANGLES)
    turn = np.array([0.0, np.sin(0.2), 0.0, np.cos(0.2)])
    data = written(csv_table.FORMAT, turned(before, {"Ankle": turn}))
    old, new = ANGLES.splitlines(), data.splitlines()
    assert len(old) == len(new)
    assert new[0] == old[0]
    assert new[1] == old[1] + b",rest_x,rest_y,rest_z,rest_w"
    for line, other in zip(old[2:], new[2:], strict=True):
        name = line.split(b",")[0]
        if name in (b"Hips", b"Knee"):
            assert other == line + b",,,,"
        elif name in (b"Ankle", b"Toe"):
            assert other != line + b",,,,"
        else:
            assert other == line
    # With the columns there already, the other lines stay byte for byte.
    again = written(csv_table.FORMAT, turned(shot_of(csv_table.FORMAT, data), {"Toe": turn}))
    differ = [a for a, b in zip(data.splitlines(), again.splitlines(), strict=True) if a != b]
    assert [line.split(b",")[0] for line in differ] == [b"Toe"]


def test_parquet_keeps_its_rows_and_columns() -> None:
    each = TABLES[1]
    data = as_format(each, QUATERNIONS)
    turn = np.array([np.sin(0.2), 0.0, 0.0, np.cos(0.2)])
    before, after = (
        frame_of(each, data),
        frame_of(each, written(each, turned(shot_of(each, data), {'Left "Knee", bent': turn}))),
    )
    assert list(before.columns) == list(after.columns)
    hips = before["joint"] == "Hips"
    assert before[hips].equals(after[hips])
    assert not before[~hips].equals(after[~hips])
    for column in ("time_s", "joint", "offset_x", "offset_y"):
        assert before[column].equals(after[column])


@each_table
def test_a_new_order_is_written(each: Format) -> None:
    before = shot_of(each, as_format(each, ANGLES))
    orders = ("XYZ", *before.skeleton.orders[1:])
    shot = replace(
        before,
        skeleton=replace(before.skeleton, orders=orders),
        channels=None,
        rotations=before.rotations_xyzw,
        positions=before.local_positions,
    )
    after = shot_of(each, written(each, shot))
    assert after.skeleton.orders == orders
    assert_same_motion(before, after, {}, between=False)


# --- shots of another origin --------------------------------------------------------------------------------


def named(shot: Shot) -> Shot:
    """Return a shot with names that differ and need care, and with one tip a joint."""
    skeleton = shot.skeleton
    hard = ('a,b "c"', " padded ", "#1", "é", "NaN", "null", "1")
    names = tuple(
        f"{hard[n % len(hard)]}{n if n >= len(hard) else ''}" for n in range(len(skeleton))
    )
    _, first = np.unique(skeleton.tip_joints, return_index=True)
    return replace(
        shot,
        skeleton=replace(
            skeleton,
            names=names,
            tip_joints=skeleton.tip_joints[first],
            tip_offsets=skeleton.tip_offsets[first],
        ),
    )


@each_table
@settings(max_examples=60, deadline=None)
@given(drawn=shots())
def test_round_trips_are_exact(each: Format, drawn: Shot) -> None:
    shot = named(drawn)
    data = written(each, shot)
    back = shot_of(each, data)
    assert back.skeleton.names == shot.skeleton.names
    assert back.skeleton.parents.tolist() == shot.skeleton.parents.tolist()
    assert back.skeleton.offsets.tolist() == shot.skeleton.offsets.tolist()
    assert back.skeleton.rest_xyzw.tolist() == shot.skeleton.rest_xyzw.tolist()
    assert back.skeleton.tip_joints.tolist() == shot.skeleton.tip_joints.tolist()
    assert back.skeleton.tip_offsets.tolist() == shot.skeleton.tip_offsets.tolist()
    assert back.times_s.tolist() == shot.times_s.tolist()
    assert back.rotations_xyzw.tolist() == shot.rotations_xyzw.tolist()
    assert back.local_positions.tolist() == shot.local_positions.tolist()
    if shot.channels is None:
        assert back.skeleton.orders == shot.skeleton.orders
    else:
        assert back.channels is not None
        assert back.rotation_keys.tolist() == shot.rotation_keys.tolist()
    assert written(each, back) == data
    assert written(each, replace(back, origin=None)) == data


@each_table
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_tracks_make_exact_round_trips(each: Format, seed: int) -> None:
    rng = np.random.default_rng(seed)
    joints = int(rng.integers(1, 5))

    def track(width: int) -> Track | None:
        keys = int(rng.integers(0, 5))
        if not keys:
            return None
        times = np.cumsum(rng.uniform(1e-9, 1.0, keys)) * 10.0 ** rng.integers(-3, 3)
        values = rng.normal(size=(keys, width))
        return Track(times, values / np.linalg.norm(values, axis=1, keepdims=True))

    rotations = tuple(track(4) for _ in range(joints))
    positions = tuple(track(3) for _ in range(joints))
    used = [each.times_s for each in (*rotations, *positions) if each is not None]
    skeleton = Skeleton(
        names=tuple(f"j{n}" for n in range(joints)),
        parents=np.array([int(rng.integers(-1, n)) if n else -1 for n in range(joints)]),
        offsets=rng.normal(size=(joints, 3)),
        rest_xyzw=random_quaternions(rng, joints).T,
        orders=(None,) * joints,
    )
    times = np.unique(np.concatenate(used)) if used else np.array([0.5, 1.5])
    shot = Shot(skeleton, times, tracks=Tracks(rotations, positions, (None,) * joints))
    back = shot_of(each, written(each, shot))
    assert back.times_s.tolist() == times.tolist()
    assert back.tracks is not None
    for before, after in zip(
        (*rotations, *positions), (*back.tracks.rotations, *back.tracks.positions), strict=True
    ):
        assert (before is None) == (after is None)
        if before is not None and after is not None:
            assert after.times_s.tolist() == before.times_s.tolist()
            assert after.values.tolist() == before.values.tolist()


def plain() -> Shot:
    return Shot(
        Skeleton.plain(["hips", "knee"], [-1, 0], [[0, 1, 0], [0, -1, 0]]),
        np.arange(2) / 24.0,
        rotations=np.tile([0.0, 0.0, 0.0, 1.0], (2, 2, 1)),
    )


@each_table
def test_what_a_table_cannot_hold(each: Format) -> None:
    shot = plain()
    assert each.write is not None
    with pytest.raises(UsageError, match="one shot, not 2"):
        each.write([shot, shot], "a")
    for name in ("", "a\nb", "a\rb", "\ud800", "\0"):
        with pytest.raises(UsageError, match="cannot hold the joint name"):
            written(each, replace(shot, skeleton=replace(shot.skeleton, names=("hips", name))))
    with pytest.raises(UsageError, match="'hips' is there twice"):
        written(each, replace(shot, skeleton=replace(shot.skeleton, names=("hips", "hips"))))
    with pytest.raises(UsageError, match="no scales"):
        written(
            each, replace(shot, skeleton=replace(shot.skeleton, rest_scales=np.full((2, 3), 2.0)))
        )
    tips = replace(shot.skeleton, tip_joints=np.array([1, 1]), tip_offsets=np.ones((2, 3)))
    with pytest.raises(UsageError, match="one end point a joint"):
        written(each, replace(shot, skeleton=tips))
    steps = Track(np.arange(2.0), np.tile([0.0, 0.0, 0.0, 1.0], (2, 1)), "step")
    tracks = Tracks((steps, None), (None, None), (None, None))
    with pytest.raises(UsageError, match="straight lines, but this shot has step ones"):
        written(each, Shot(shot.skeleton, np.arange(2.0), tracks=tracks))


@each_table
def test_a_shot_with_other_keys_than_its_table_is_written_anew(each: Format) -> None:
    shot = shot_of(each, as_format(each, QUATERNIONS))
    dense = Shot(
        shot.skeleton,
        np.linspace(0.0, 1.0, 9),
        replace(shot.source),
        rotations=np.tile(shot.skeleton.rest_xyzw, (9, 1, 1)),
        origin=shot.origin,
    )
    back = shot_of(each, written(each, dense))
    assert back.times_s.tolist() == dense.times_s.tolist()
    assert back.rotations_xyzw.tolist() == dense.rotations_xyzw.tolist()
