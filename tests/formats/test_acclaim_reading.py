"""What Acclaim pairs are read to: joints, axes, channels, units."""

from __future__ import annotations

import numpy as np
import pytest

from audit.errors import InputError
from audit.formats import acclaim
from audit.plugins import Opened
from tests.formats.acclaim_making import (
    MOTION,
    SKELETON,
    one_after_the_other,
    opened,
    shot_of,
    world,
)
from tests.strategies import matrix


def test_joints_channels_and_times() -> None:
    shot = shot_of()
    skeleton = shot.skeleton
    assert skeleton.names == ("root", "slewing", "mast", "boom", "hook", "cab")
    assert skeleton.parent_names() == (None, "root", "slewing", "mast", "boom", "slewing")
    assert skeleton.orders == ("ZYX", "ZYX", "ZYX", "ZYX", "YXZ", "ZYX")
    assert shot.times_s.tolist() == [0.0, 1.0 / 120.0, 2.0 / 120.0]
    assert shot.channels is not None
    columns = shot.channels.rotation_columns
    assert (columns >= 0).tolist() == [
        [True] * 3,
        [False] * 3,
        [True] * 3,
        [True, False, False],
        [True, False, True],
        [False] * 3,
    ]
    # The numbers are those of the file, to the last bit.
    assert shot.channels.values[:, columns[3, 0]].tolist() == [40.25, 44.0, 51.5]
    assert shot.channels.values[:, columns[4]][:, [0, 2]].tolist() == [
        [-3, 12],
        [-4.5, 13],
        [-6, 14],
    ]
    assert shot.channels.values[1, columns[2]].tolist() == [6.0, -5.0, 8.0]


def test_lengths_and_positions_are_multiplied_by_the_unit() -> None:
    shot = shot_of()
    skeleton = shot.skeleton
    assert skeleton.offsets[0].tolist() == [1.0, 2.0, -0.5]
    assert np.linalg.norm(skeleton.offsets, axis=1)[1:] == pytest.approx([0.0, 5.0, 6.0, 3.0, 5.0])
    assert np.linalg.norm(skeleton.tip_offsets, axis=1) == pytest.approx([1.0, 2.0])
    assert shot.local_positions[0, 0].tolist() == [3.0, 6.0, 5.5]


def test_the_rest_pose_is_that_of_the_stated_directions_and_axes() -> None:
    (rest,) = acclaim.read(Opened(SKELETON, "crane.asf"))
    assert rest.frames == 1
    rotations, places = world(rest)
    # Directions and axes are stated in the world, so nothing of the rest pose depends on the axes.
    mast = np.array([1.0, 2.0, -0.5]) + 5.0 * np.array([0.6, 0.8, 0.0])
    assert places[:, 2, 0] == pytest.approx(mast, abs=1e-12)
    assert places[:, 3, 0] == pytest.approx(mast + 6.0 * np.array([0.0, 1.0, 0.0]), abs=1e-12)
    stated = one_after_the_other("xyz", [15.0, -10.0, 25.0])
    assert matrix(rotations[:, 3, 0]) == pytest.approx(stated, abs=1e-12)


def test_a_pose_by_hand() -> None:
    skeleton = b""":version 1.10
:units
 mass 1 length 1 angle deg
:root
 order TX TY TZ RX RY RZ
 axis XYZ
 position 0 0 0
 orientation 0 0 0
:bonedata
 begin id 1 name upper direction 0 1 0 length 2 axis 0 0 0 XYZ dof rx ry rz end
 begin id 2 name lower direction 0 1 0 length 1 axis 0 0 0 XYZ dof rz end
:hierarchy
 begin
 root upper
 upper lower
 end
"""
    motion = b":DEGREES\n1\nroot 5 0 0 0 0 0\nupper 90 0 90\nlower 90\n"
    rotations, places = world(shot_of(motion, skeleton))
    # About fixed x first: up goes to +z. Then about fixed z: +z stays. So the knee stands at z = 2.
    assert places[:, 2, 0] == pytest.approx([5.0, 0.0, 2.0], abs=1e-12)
    # The lower bone, bent by 90° about its own z, points along −x of the upper's frame: in the world, −y.
    end = matrix(rotations[:, 2, 0]) @ [0.0, 1.0, 0.0]
    assert end == pytest.approx([0.0, -1.0, 0.0], abs=1e-12)


@pytest.mark.parametrize(
    ("freedoms", "axis", "order"),
    [
        ("rx ry rz", "XYZ", "ZYX"),
        ("rx", "XYZ", "ZYX"),
        ("rx rz", "XYZ", "ZYX"),
        ("rz rx", "XYZ", "YXZ"),
        ("rz ry rx", "ZYX", "XYZ"),
        ("rz ry rx", "XYZ", "XYZ"),
        ("ry", "ZXY", "YXZ"),
        ("rx tx l rz", "XYZ", "ZYX"),
    ],
)
def test_orders(freedoms: str, axis: str, order: str) -> None:
    skeleton = SKELETON.replace(b"axis 0 90 0 XYZ", f"axis 0 90 0 {axis}".encode())
    skeleton = skeleton.replace(b"dof rz rx", f"dof {freedoms}".encode())
    skeleton = skeleton.replace(b"    limits (-45, 90) (-20, 70)\r\n", b"")
    (rest,) = acclaim.read(Opened(skeleton, "crane.asf"))
    assert rest.skeleton.orders[4] == order


def test_radians_in_either_file() -> None:
    in_radians = shot_of(
        MOTION.replace(b":DEGREES", b":RADIANS"),
        SKELETON,
    )
    assert in_radians.channels is not None
    column = in_radians.channels.rotation_columns[3, 0]
    assert in_radians.channels.values[0, column] == np.rad2deg(40.25)
    skeleton = SKELETON.replace(b"angle deg", b"angle rad").replace(
        b"axis 15 -10 25", b"axis 0.25 -0.5 0.75"
    )
    (rest,) = acclaim.read(Opened(skeleton, "crane.asf"))
    turn = matrix(world(rest)[0][:, 3, 0])
    assert turn == pytest.approx(
        one_after_the_other("xyz", np.rad2deg([0.25, -0.5, 0.75]).tolist()), abs=1e-12
    )
    # A motion without either word goes by the skeleton.
    bare = shot_of(MOTION.replace(b":DEGREES\r\n", b""), skeleton)
    assert bare.channels is not None
    assert bare.channels.values[0, column] == np.rad2deg(40.25)


def test_moving_and_stretching_bones() -> None:
    skeleton = SKELETON.replace(b"dof rx\r\n", b"dof tx tz rx l\r\n").replace(
        b"    limits (-10.0 170.0)  # a hinge\r\n", b""
    )
    motion = MOTION.replace(b"boom 40.25", b"boom 0.5 -1 40.25 0.125")
    motion = motion.replace(b"boom 44", b"boom 0 0 44 0").replace(b"boom 51.5", b"boom 0 0 51.5 0")
    moved, still = shot_of(motion, skeleton), shot_of()
    rotations, places = world(moved)
    before, stood = world(still)
    assert rotations == pytest.approx(before, abs=1e-12)
    # The bone's own axes, seen from its parent where the parent stands, whatever the bone's own turn.
    above = matrix(before[:, 2, 0]) @ one_after_the_other("xyz", [5, 0, 20]).T
    own = above @ one_after_the_other("xyz", [15, -10, 25])
    start = own @ [1.0, 0.0, -2.0]
    assert places[:, 3, 0] - stood[:, 3, 0] == pytest.approx(start, abs=1e-12)
    stretch = places[:, 4, 0] - places[:, 3, 0]
    length = np.linalg.norm(stood[:, 4, 0] - stood[:, 3, 0])
    assert np.linalg.norm(stretch) == pytest.approx(length + 0.25)
    assert places[:, :, 1:] == pytest.approx(stood[:, :, 1:], abs=1e-12)


def test_frame_numbers_are_times() -> None:
    shot = shot_of(MOTION.replace(b"\r\n3\r\n", b"\r\n13\r\n"))
    assert shot.times_s.tolist() == [0.0, 1.0 / 120.0, 0.1]


def test_bones_in_any_order_of_the_file() -> None:
    # Each bone by itself, the last one first: children stand before their parents.
    head, _, rest = SKELETON.partition(b"  begin\r\n     id 1\r\n")
    bones, _, tail = (b"  begin\r\n     id 1\r\n" + rest).partition(b":hierarchy")
    single = [bone + b"  end\r\n" for bone in bones.split(b"  end\r\n")[:-1]]
    moved = head + b"".join(reversed(single)) + b":hierarchy" + tail
    shot = shot_of(MOTION, moved)
    assert sorted(shot.skeleton.names) == sorted(shot_of().skeleton.names)
    rotations, places = world(shot)
    expected = world(shot_of())
    for name in shot.skeleton.names:
        here, there = shot.skeleton.names.index(name), shot_of().skeleton.names.index(name)
        assert places[:, here] == pytest.approx(expected[1][:, there], abs=1e-12)
        assert rotations[:, here] == pytest.approx(expected[0][:, there], abs=1e-12)


@pytest.mark.parametrize("change", [b"\r\n", b"\n", b"\r"])
def test_line_ends_layout_and_case(change: bytes) -> None:
    motion = MOTION.replace(b"\r\n", change).replace(b" ", b"\t ").replace(b"FULLY", b"fully")
    skeleton = SKELETON.replace(b"\r\n", change).replace(b"dof rx ry rz", b"DOF RX,RY,(RZ)")
    shot, plain = shot_of(motion, b"\xef\xbb\xbf" + skeleton), shot_of()
    assert shot.rotations_xyzw.tobytes() == plain.rotations_xyzw.tobytes()
    assert shot.local_positions.tobytes() == plain.local_positions.tobytes()


@pytest.mark.parametrize("coding", ["utf-8", "latin-1"])
def test_names_outside_ascii(coding: str) -> None:
    # In UTF-8 these letters hold bytes that Latin-1 takes for white space.
    name = "wàÅé".encode(coding)
    shot = shot_of(MOTION.replace(b"boom", name), SKELETON.replace(b"boom", name))
    assert shot.skeleton.names[3] == "wàÅé"


def test_a_chain_of_thousands() -> None:
    count = 3000
    bones = "".join(
        f"begin id {n} name b{n} direction 0 1 0 length 1 axis 0 0 0 XYZ dof rx end\n"
        for n in range(count)
    )
    tree = "root b0\n" + "".join(f"b{n} b{n + 1}\n" for n in range(count - 1))
    skeleton = SKELETON.split(b":bonedata")[0].decode() + (
        f":bonedata\n{bones}:hierarchy\nbegin\n{tree}end\n"
    )
    (rest,) = acclaim.read(Opened(skeleton.encode(), "chain.asf"))
    assert len(rest.skeleton) == count + 1


def test_a_motion_needs_its_skeleton() -> None:
    with pytest.raises(InputError) as caught:
        acclaim.read(Opened(MOTION, "walk.amc"))
    assert str(caught.value) == (
        "walk.amc: is a motion without its skeleton. "
        "Give the .asf file that belongs to it with --skeleton"
    )


def test_a_skeleton_is_no_motion() -> None:
    with pytest.raises(InputError, match=r"is itself a skeleton\. Give the motion \(\.amc\)"):
        acclaim.read(Opened(SKELETON, "crane.asf", Opened(SKELETON, "crane.asf")))


def test_recognised() -> None:
    assert acclaim.recognises(b"\xef\xbb\xbf# a\n\n:Degrees\n1\n")
    assert acclaim.recognises(SKELETON[:4096])
    without_version = SKELETON.replace(b":version 1.10\r\n", b"")
    assert acclaim.recognises(without_version[:4096])
    assert acclaim.read(Opened(without_version, "crane.asf"))[0].frames == 1
    assert not acclaim.recognises(b"root 1 2 3")
    assert opened().skeleton is not None
