"""Acclaim pairs written: byte for byte where nothing was turned, and nothing moves where something was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import UsageError
from audit.formats import acclaim
from audit.model import Shot, Skeleton, Track, Tracks
from audit.plugins import Opened
from audit.rotations import multiply
from tests.formats.acclaim_making import (
    MOTION,
    SKELETON,
    again,
    as_channels,
    shot_of,
    turn_about,
    turned,
    world,
    written,
)
from tests.strategies import random_quaternions, shots, turn_between


def lines_that_differ(before: bytes, after: bytes) -> list[bytes]:
    """Return the lines of the first text that are not in the second, comparing line by line."""
    old, new = before.split(b"\r\n"), after.split(b"\r\n")
    return [line for line, other in zip(old, new, strict=True) if line != other]


def assert_same_motion(before: Shot, after: Shot, turns: dict[str, np.ndarray]) -> None:
    """Check that joints stand where they stood, in axes that were turned by just so much."""
    old, places = world(before)
    new, moved = world(after)
    assert after.skeleton.names == before.skeleton.names
    assert moved == pytest.approx(places, abs=1e-11)
    for joint, name in enumerate(before.skeleton.names):
        turn = turns.get(name, np.array([0.0, 0.0, 0.0, 1.0]))
        assert turn_between(new[:, joint], multiply(old[:, joint], turn[:, None])).max() < 1e-11


def test_untouched_files_come_back_byte_for_byte() -> None:
    assert written(shot_of()) == (MOTION, SKELETON)
    mark = b"\xef\xbb\xbf"
    assert written(shot_of(mark + MOTION, mark + SKELETON)) == (mark + MOTION, mark + SKELETON)
    (rest,) = acclaim.read(Opened(SKELETON, "crane.asf"))
    assert acclaim.write([rest], "a.asf") == {"a.asf": SKELETON}
    assert list(acclaim.write([shot_of()], "a.asf").values()) == [SKELETON, MOTION]


def test_a_turned_hinge_changes_its_own_lines_alone() -> None:
    turns = {"boom": turn_about([0.3, -0.9, 0.1], 33.0)}
    shot = turned(shot_of(), turns)
    motion, skeleton = written(shot)
    assert lines_that_differ(MOTION, motion) == [b"boom 40.25 # here", b"boom 44", b"boom 51.5"]
    kept = skeleton.replace(
        b"(-inf inf)\r\n           (-inf inf)\r\n           (-inf inf)  # a", b"?"
    )
    assert len(kept) < len(skeleton)
    assert b"limits (-160.0 20.0)" in skeleton
    assert b"    dof rx ry rz\r\n    limits (-inf inf)\r\n" in skeleton
    assert_same_motion(shot_of(), shot_of(motion, skeleton), turns)


def test_a_hinge_on_another_principal_axis_keeps_one_channel_and_its_limits() -> None:
    # New axes: the old x is the new −y.
    turns = {"boom": turn_about([0, 0, 1], 90.0)}
    motion, skeleton = written(turned(shot_of(), turns))
    assert b"    dof ry\r\n    limits (-170.0 10.0)  # a hinge\r\n" in skeleton
    values = [float(line.split()[1]) for line in motion.split(b"\r\n") if line.startswith(b"boom")]
    assert values == pytest.approx([-40.25, -44.0, -51.5], abs=1e-12)
    assert_same_motion(shot_of(), shot_of(motion, skeleton), turns)


def test_a_hinge_past_ninety_degrees_on_the_middle_axis_stays_one_curve() -> None:
    motion = MOTION.replace(b"44", b"100").replace(b"51.5", b"250")
    turns = {"boom": turn_about([0, 0, 1], -90.0)}
    new, skeleton = written(turned(shot_of(motion), turns))
    values = [float(line.split()[1]) for line in new.split(b"\r\n") if line.startswith(b"boom")]
    assert values == pytest.approx([40.25, 100.0, 250.0], abs=1e-9)
    assert_same_motion(shot_of(motion), shot_of(new, skeleton), turns)


def test_shots_of_one_rig_get_one_skeleton() -> None:
    turns = {"boom": turn_about([1, 1, 0], 20.0), "hook": turn_about([0, 1, 0], -40.0)}
    still = MOTION.replace(b"40.25", b"0").replace(b"44", b"0").replace(b"51.5", b"0")
    assert written(turned(shot_of(), turns))[1] == written(turned(shot_of(still), turns))[1]


def test_a_joint_that_moves_nowhere_takes_its_axis_alone() -> None:
    turns = {"slewing": turn_about([1, 2, 3], 50.0)}
    motion, skeleton = written(turned(shot_of(), turns))
    assert motion == MOTION
    assert lines_that_differ(SKELETON, skeleton) == [b"     axis 0 0 0 XYZ"]
    assert_same_motion(shot_of(), shot_of(motion, skeleton), turns)


def test_a_turned_root() -> None:
    turns = {"root": turn_about([1, 0, 2], -70.0)}
    motion, skeleton = written(turned(shot_of(), turns))
    assert lines_that_differ(SKELETON, skeleton) == [b"   orientation 10 20 -30"]
    assert_same_motion(shot_of(), shot_of(motion, skeleton), turns)


def test_radians_stay_radians() -> None:
    small = (
        MOTION.replace(b":DEGREES", b":RADIANS").replace(b"40.25", b"0.5").replace(b"44", b"0.6")
    )
    skeleton = SKELETON.replace(b"angle deg", b"angle rad").replace(
        b"axis 15 -10 25", b"axis 1 0 1"
    )
    turns = {"boom": turn_about([1, 0, 1], 30.0), "root": turn_about([1, 0, 0], 10.0)}
    before = shot_of(small, skeleton)
    motion, file = written(turned(before, turns))
    assert b":RADIANS" in motion
    assert b"angle rad" in file
    assert_same_motion(before, shot_of(motion, file), turns)


def test_a_new_order_lists_the_freedoms_anew() -> None:
    for channels in (False, True):
        shot = turned(
            shot_of(),
            {"mast": turn_about([0, 1, 0], 12.0)},
            orders={"mast": "YZX", "root": "XZY"},
            channels=channels,
        )
        motion, skeleton = written(shot)
        assert b"    dof rx rz ry\r\n" in skeleton
        assert b"   order TX TY TZ RY RZ RX\r\n" in skeleton
        back = shot_of(motion, skeleton)
        assert back.skeleton.orders == shot.skeleton.orders
        assert_same_motion(shot_of(), back, {"mast": turn_about([0, 1, 0], 12.0)})


def moving() -> Shot:
    """Return the crane with a boom that moves along two axes and stretches."""
    skeleton = SKELETON.replace(b"dof rx\r\n", b"dof tx tz rx l\r\n").replace(
        b"limits (-10.0 170.0)", b"limits (-1 1) (-2 2) (-10 170) (0 1)"
    )
    motion = MOTION.replace(b"boom 40.25", b"boom 0.5 -1 40.25 0.125")
    motion = motion.replace(b"boom 44", b"boom 0.25 0 44 0.5").replace(
        b"boom 51.5", b"boom 0 3 51.5 0"
    )
    return shot_of(motion, skeleton)


def test_a_turned_bone_that_moves_and_stretches() -> None:
    turns = {"boom": turn_about([1, 1, 0], 35.0), "mast": turn_about([0, 1, 0], 25.0)}
    shot = turned(moving(), turns)
    motion, skeleton = written(shot)
    assert b"dof tx ty tz rx ry rz l\r\n" in skeleton
    assert b"(0.0 1.0)" in skeleton
    assert_same_motion(moving(), shot_of(motion, skeleton), turns)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sets(st.integers(0, 5), min_size=1), st.booleans())
def test_any_turns_move_nothing(seed: int, joints: set[int], channels: bool) -> None:
    before = moving()
    quaternions = random_quaternions(np.random.default_rng(seed), 6)
    turns = {before.skeleton.names[joint]: quaternions[:, joint] for joint in joints}
    after = again(turned(before, turns, channels=channels))
    assert_same_motion(before, after, turns)
    # And back: the axes are the first ones again.
    undone = again(turned(after, {name: turn * [-1, -1, -1, 1] for name, turn in turns.items()}))
    assert_same_motion(before, undone, {})


def test_the_comparison_can_fail() -> None:
    turns = {"boom": turn_about([1, 1, 0], 0.001)}
    shot = turned(shot_of(), turns)
    with pytest.raises(AssertionError):
        assert_same_motion(shot_of(), again(shot), {})
    # A parent's turn that is not passed on to what hangs below.
    moved = replace(turned(shot_of(), {"mast": turn_about([1, 0, 0], 30.0)}), turned=None)
    wrong = Shot(
        moved.skeleton,
        moved.times_s,
        rotations=shot_of().rotations_xyzw,
        positions=shot_of().local_positions,
    )
    with pytest.raises(AssertionError):
        assert_same_motion(shot_of(), wrong, {"mast": turn_about([1, 0, 0], 30.0)})


def test_turning_twice_adds_up() -> None:
    first, second = turn_about([1, 0, 0], 20.0), turn_about([0, 1, 1], 30.0)
    twice = turned(turned(shot_of(), {"boom": first}), {"boom": second})
    assert_same_motion(shot_of(), again(twice), {"boom": multiply(first, second)})


# --- shots of another origin --------------------------------------------------------------------------------


def at_120(shot: Shot) -> Shot:
    """Return a shot with frames at 120 a second and names that differ."""
    skeleton = shot.skeleton
    names = tuple(f"joint_{number}" for number in range(len(skeleton)))
    return replace(
        shot,
        skeleton=replace(skeleton, names=names),
        times_s=np.arange(shot.frames) / 120.0,
        origin=None,
    )


@settings(max_examples=80, deadline=None)
@given(shots(), st.booleans())
def test_any_shot_with_one_root_can_be_written(drawn: Shot, channels: bool) -> None:
    shot = at_120(drawn)
    if np.sum(shot.skeleton.parents < 0) != 1:
        with pytest.raises(UsageError, match="one root"):
            written(shot)
        return
    if channels and all(order is not None for order in shot.skeleton.orders):
        shot = as_channels(shot) if shot.channels is None else shot
    back = again(shot)
    names = ("root", *shot.skeleton.names[1:])
    places = [back.skeleton.names.index(name) for name in names]
    old, stood = world(shot)
    new, moved = world(back)
    assert turn_between(new[:, places], old).max() < 1e-7
    assert moved[:, places] == pytest.approx(stood, abs=1e-8)
    for joint, order in enumerate(shot.skeleton.orders):
        assert back.skeleton.orders[places[joint]] == (order or "ZYX")


def plain() -> Shot:
    return Shot(
        Skeleton.plain(["hips", "knee"], [-1, 0], [[0, 1, 0], [0, -1, 0]]),
        np.arange(2) / 120.0,
        rotations=np.tile([0.0, 0.0, 0.0, 1.0], (2, 2, 1)),
    )


def test_a_shot_is_written_with_its_bones_to_the_children() -> None:
    motion, skeleton = written(plain())
    back = shot_of(motion, skeleton)
    assert back.skeleton.names == ("root", "root_to_knee", "knee")
    assert world(back)[1][:, 2, 0].tolist() == [0.0, 0.0, 0.0]


def test_what_the_pair_cannot_hold() -> None:
    shot = plain()
    with pytest.raises(UsageError, match="one shot, not 2"):
        acclaim.write([shot, shot], "a.amc")
    with pytest.raises(UsageError, match="120 frames a second"):
        written(replace(shot, times_s=np.arange(2) / 24.0))
    for name in ("left knee", "#1", "a,b", "12", "", "end", ":knee"):
        with pytest.raises(UsageError, match="cannot hold the joint name"):
            written(replace(shot, skeleton=replace(shot.skeleton, names=("hips", name))))
    with pytest.raises(UsageError, match="'root' is taken"):
        written(replace(shot, skeleton=replace(shot.skeleton, names=("hips", "root"))))
    with pytest.raises(UsageError, match="no scales"):
        written(replace(shot, skeleton=replace(shot.skeleton, rest_scales=np.full((2, 3), 2.0))))
    scale = Track(np.zeros(1), np.ones((1, 3)))
    tracks = Tracks((None, None), (None, None), (None, scale))
    with pytest.raises(UsageError, match="no scales"):
        written(Shot(shot.skeleton, np.zeros(1), tracks=tracks))


def test_a_shot_resampled_since_is_written_anew() -> None:
    shot = shot_of()
    fewer = replace(
        shot,
        times_s=shot.times_s[:2],
        channels=None,
        rotations=shot.rotations_xyzw[:2],
        positions=shot.local_positions[:2],
    )
    back = again(fewer)
    places = [back.skeleton.names.index(name) for name in shot.skeleton.names]
    assert world(back)[1][:, places] == pytest.approx(world(fewer)[1], abs=1e-11)
