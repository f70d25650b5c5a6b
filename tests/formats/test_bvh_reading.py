"""What a BVH file says, read as it says it: worked values, and every legal oddity of layout."""

import hashlib
from collections.abc import Callable

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.formats import formats
from audit.formats.bvh import read, recognises, sample
from audit.model import Channels, Shot
from audit.plugins import Opened

SAMPLE = sample().decode()


def text(hierarchy: str, *rows: str, frame_time: str = "0.1") -> bytes:
    lines = ["HIERARCHY", hierarchy, "MOTION", f"Frames: {len(rows)}", f"Frame Time: {frame_time}"]
    return ("\n".join([*lines, *rows]) + "\n").encode()


def shot_of(hierarchy: str, *rows: str, frame_time: str = "0.1") -> Shot:
    return read(text(hierarchy, *rows, frame_time=frame_time), "some/where.bvh")


def channels_of(shot: Shot) -> Channels:
    """Return the channels of a shot that has them, as each that is read from BVH does."""
    assert shot.channels is not None
    return shot.channels


def same_shot(left: Shot, right: Shot) -> bool:
    """Tell whether two shots hold the same, to the last bit; where they came from is left out."""
    a, b = left.skeleton, right.skeleton
    pairs = [
        (a.parents, b.parents),
        (a.offsets, b.offsets),
        (a.tip_joints, b.tip_joints),
        (a.tip_offsets, b.tip_offsets),
        (left.times_s, right.times_s),
        (channels_of(left).values, channels_of(right).values),
        (channels_of(left).rotation_columns, channels_of(right).rotation_columns),
        (channels_of(left).position_columns, channels_of(right).position_columns),
    ]
    return (a.names, a.orders) == (b.names, b.orders) and all(
        one.shape == other.shape and one.tobytes() == other.tobytes() for one, other in pairs
    )


def world_positions(shot: Shot) -> tuple[np.ndarray, np.ndarray]:
    """Return world positions of joints (F, J, 3) and tips (F, T, 3), by scipy's rotations."""
    rotations: list[Rotation] = []
    places: list[np.ndarray] = []
    for joint, parent in enumerate(shot.skeleton.parents):
        local = Rotation.from_quat(shot.rotations_xyzw[:, joint])
        offset = shot.local_positions[:, joint]
        if parent >= 0:
            places.append(places[parent] + rotations[parent].apply(np.array(offset)))
            rotations.append(rotations[parent] * local)
        else:
            places.append(offset)
            rotations.append(local)
    tips = [
        places[joint] + rotations[joint].apply(np.array(offset))
        for joint, offset in zip(shot.skeleton.tip_joints, shot.skeleton.tip_offsets, strict=True)
    ]
    return np.stack(places, axis=1), np.stack(tips, axis=1)


# --- worked values -----------------------------------------------------------------------------------------


def test_zero_rotations_add_up_the_offsets() -> None:
    # Worked example of the documentation of an open BVH group (aesop-mgf.sourceforge.net): elbow offset
    # (2.5, 0, 0), hand offset (0, 3.5, 0), no rotation: the hand is at (2.5, 3.5, 0). With 90° about Z at an
    # elbow at the origin it is at (−3.5, 0, 0), so here at (−1, 0, 0) (derived).
    arm = """ROOT Shoulder { OFFSET 0 0 0 CHANNELS 0
        JOINT Elbow
        { OFFSET 2.5 0 0 CHANNELS 3 Zrotation Xrotation Yrotation
          End Site { OFFSET 0 3.5 0 } } }"""
    _, tips = world_positions(shot_of(arm, "0 0 0", "90 0 0"))
    np.testing.assert_allclose(tips[:, 0], [[2.5, 3.5, 0.0], [-1.0, 0.0, 0.0]], atol=1e-12)


def test_two_joints_turned_by_30_degrees_each() -> None:
    # Two-joint sample file of an open wiki, its second frame; positions derived by hand:
    # child (−0.8 sin 30°, 0.8 cos 30°), end a further 0.2 along 60°.
    chain = """ROOT root
    {
      OFFSET 0 0 0
      CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
      JOINT child
      {
        OFFSET 0 .8 0
        CHANNELS 3 Zrotation Xrotation Yrotation
        End Site
        {
          OFFSET 0 .2 0
        }
      }
    }"""
    shot = shot_of(chain, "0 0 0 0 0 0 0 0 0", "0 0 0 30 0 0 30 0 0")
    joints, tips = world_positions(shot)
    np.testing.assert_allclose(joints[1, 1], [-0.4, 0.692820, 0.0], atol=5e-7)
    np.testing.assert_allclose(tips[1, 0], [-0.573205, 0.792820, 0.0], atol=5e-7)


def test_channels_apply_in_the_order_written() -> None:
    # 30, 60, 45 in the order Z, X, Y is Rz·Rx·Ry for column vectors (course page "BVH", Univ. of Wisconsin
    # CS 838, 1999: row vectors, v R = v Y X Z). The matrix is worked out from that; a reader that applies the
    # channels about fixed axes instead gives 0.9186 in the first entry.
    hierarchy = (
        "ROOT a { OFFSET 0 0 0 CHANNELS 3 Zrotation Xrotation Yrotation End Site { OFFSET 0 1 0 } }"
    )
    shot = shot_of(hierarchy, "30 60 45")
    assert shot.skeleton.orders == ("ZXY",)
    expected = [
        [0.306186, -0.25, 0.918559],
        [0.883883, 0.433013, -0.176777],
        [-0.353553, 0.866025, 0.353553],
    ]
    matrix = Rotation.from_quat(shot.rotations_xyzw[0, 0]).as_matrix()
    np.testing.assert_allclose(matrix, expected, atol=5e-7)


# --- skeletons ---------------------------------------------------------------------------------------------


def test_a_whole_file() -> None:
    shot = read(sample(), "some/where.bvh")
    assert shot.skeleton.names == ("Mast", "Boom")
    assert shot.skeleton.orders == ("ZXY", "ZXY")
    assert shot.skeleton.parents.tolist() == [-1, 0]
    assert shot.skeleton.offsets.tolist() == [[0, 0, 0], [0, 2.5, 0]]
    assert shot.skeleton.tip_joints.tolist() == [1]
    assert shot.skeleton.tip_offsets.tolist() == [[0, 1.5, 0]]
    assert shot.skeleton.rest_xyzw.tolist() == [[0, 0, 0, 1]] * 2
    assert shot.times_s.tolist() == [0.0, 0.04]
    assert channels_of(shot).values.tolist() == [
        [0, 1, 0, 0, 0, 0, 0, 0, 0],
        [0.1, 1, 0, 5, -2.5, 0.25, 0, 30, 0],
    ]
    assert channels_of(shot).position_columns.tolist() == [[0, 1, 2], [-1, -1, -1]]
    assert channels_of(shot).rotation_columns.tolist() == [[4, 5, 3], [7, 8, 6]]
    assert shot.every_frame
    source = shot.source
    assert (source.file, source.format) == ("some/where.bvh", "bvh")
    assert source.sha256 == hashlib.sha256(sample()).hexdigest()
    assert source.label == "where"


def test_the_arrays_cannot_be_changed() -> None:
    shot = read(sample(), "a.bvh")
    for array in (channels_of(shot).values, shot.times_s, shot.skeleton.offsets):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0


@pytest.mark.parametrize(
    ("channels", "order"),
    [
        ("", "ZXY"),
        ("Xrotation", "YZX"),
        ("Yrotation", "XZY"),
        ("Zrotation", "XYZ"),
        ("Zrotation Xrotation", "YZX"),
        ("Yrotation Zrotation", "XYZ"),
        ("Yrotation Xrotation Zrotation", "YXZ"),
        ("Zrotation Yposition Yrotation Xrotation", "ZYX"),
        ("Zrotation Yrotation Xrotation Zposition Yposition Xposition", "ZYX"),
    ],
)
def test_any_set_of_channels_in_any_order(channels: str, order: str) -> None:
    names = channels.split()
    joint = f"JOINT b {{ OFFSET 1 2 3 CHANNELS {len(names)} {channels} }}"
    hierarchy = f"ROOT a {{ OFFSET 0 0 0 CHANNELS 1 Yrotation {joint} }}"
    shot = shot_of(hierarchy, " ".join(str(10 * place) for place in range(1, len(names) + 2)))
    assert shot.skeleton.orders[1] == order
    written = {name: 10.0 * place for place, name in enumerate(names, start=2)}
    # The rotation, by scipy, from the channels that are there and nothing else.
    expected = Rotation.identity()
    for name, value in written.items():
        if name.endswith("rotation"):
            expected = expected * Rotation.from_euler(name[0], value, degrees=True)
    read_back = Rotation.from_quat(shot.rotations_xyzw[0, 1])
    assert (expected.inv() * read_back).magnitude() < 1e-12
    offset = [
        written.get(f"{axis}position", rest) for axis, rest in zip("XYZ", (1, 2, 3), strict=True)
    ]
    assert shot.local_positions[0, 1].tolist() == offset


def test_position_channels_take_the_place_of_the_offset() -> None:
    hierarchy = "ROOT a { OFFSET 5 6 7 CHANNELS 3 Xposition Yposition Zposition }"
    shot = shot_of(hierarchy, "1 2 3")
    assert shot.local_positions[0, 0].tolist() == [1, 2, 3]
    assert shot.skeleton.offsets[0].tolist() == [5, 6, 7]


def test_several_roots_and_several_end_sites() -> None:
    shot = shot_of(
        """ROOT a {
             OFFSET 0 0 0 CHANNELS 1 Xrotation
             JOINT b { OFFSET 0 1 0 End Site { OFFSET 1 1 1 } End Site { OFFSET 2 2 2 } }
             End Site { OFFSET 3 3 3 }
           }
           ROOT c { OFFSET 0 0 9 CHANNELS 1 Zrotation }""",
        "1 2",
    )
    assert shot.skeleton.names == ("a", "b", "c")
    assert shot.skeleton.parents.tolist() == [-1, 0, -1]
    # By joint, whatever the place of an end site among the joint's children.
    assert shot.skeleton.tip_joints.tolist() == [0, 1, 1]
    assert shot.skeleton.tip_offsets[:, 0].tolist() == [3, 1, 2]


@pytest.mark.parametrize(
    "name",
    [
        "Left Arm",
        "Bein_größer",
        "腕",
        "a  b\tc",
        "Root",
        "OFFSET",
        "End Site",
        "x:y/z",
        "1.5",
        "MOTION",
    ],
)
@pytest.mark.parametrize("brace", [" {", "\n{", "{"])
def test_names_are_kept_as_they_are(name: str, brace: str) -> None:
    data = SAMPLE.replace("Boom\n\t{", name + brace).encode()
    assert read(data, "a.bvh").skeleton.names == ("Mast", name)


def test_duplicated_names_are_kept() -> None:
    assert read(SAMPLE.replace("Boom", "Mast").encode(), "a.bvh").skeleton.names == ("Mast", "Mast")


def test_a_file_that_is_not_utf_8_is_latin_1() -> None:
    # All bytes above ASCII, among them those that other 8-bit encodings, or Unicode's line ends, claim.
    name = bytes(range(0x80, 0x100)).decode("latin-1")
    data = SAMPLE.replace("Boom", name).encode("latin-1")
    assert read(data, "a.bvh").skeleton.names[1] == name


def test_a_byte_order_mark_is_skipped() -> None:
    data = SAMPLE.replace("Boom", "腕").encode("utf-8-sig")
    assert recognises(data)
    assert read(data, "a.bvh").skeleton.names[1] == "腕"


def test_thousands_of_joints_in_one_chain() -> None:
    count = 5000
    opened = "".join(
        f"{'JOINT' if joint else 'ROOT'} j{joint}\n{{\nOFFSET 0 1 0\nCHANNELS 1 Xrotation\n"
        for joint in range(count)
    )
    row = " ".join(str(joint) for joint in range(count))
    shot = shot_of(opened + "End Site\n{\nOFFSET 0 1 0\n}\n" + "}\n" * count, row)
    assert len(shot.skeleton) == count
    assert np.array_equal(shot.skeleton.parents, np.arange(count) - 1)
    assert np.array_equal(channels_of(shot).values[0], np.arange(count))
    assert shot.skeleton.tip_joints.tolist() == [count - 1]


# --- layout ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.rstrip("\n"),
        lambda text: text.replace("\n", "\n\n \t\n"),
        lambda text: text.replace("\t", ""),
        lambda text: text.replace(" 0.0 ", " \t 0.0\t"),
        lambda text: text.replace("\n", " \t\n"),
        lambda text: "\n\n" + text,
        lambda text: text.lower().replace("mast", "Mast").replace("boom", "Boom"),
        lambda text: text.upper().replace("MAST", "Mast").replace("BOOM", "Boom"),
        lambda text: text.replace("\n\t{\n", " {\n").replace("\n{\n", " {\n"),
        lambda text: text.replace("}\n\t}\n}\nMOTION", "} } } MOTION"),
        lambda text: text.replace("Frames: 2\nFrame Time: 0.04", "Frames:2\n\nFrame  Time : 4e-2"),
        lambda text: text.replace("5.0 -2.5 0.25", "+5 -25e-1 .25"),
        lambda text: text.replace("5.0 -2.5 0.25", "5. -0002.50 2.5E-1"),
        lambda text: text.replace("5.0 -2.5 0.25", "5.0\n-2.5\n0.25"),
        lambda text: text.replace("0.0\n0.1", "0.0 0.1"),
        lambda text: text.replace("OFFSET 0.0 2.5 0.0\n", "OFFSET 0.0\n2.5\n0.0\n"),
        lambda text: text.replace("3 Zrotation Xrotation", "3\nZrotation\nXrotation"),
    ],
)
def test_layout_makes_no_difference(change: Callable[[str], str]) -> None:
    changed = change(SAMPLE)
    assert changed != SAMPLE
    assert same_shot(read(changed.encode(), "a.bvh"), read(sample(), "a.bvh"))


def test_numbers_are_read_to_the_last_bit() -> None:
    words = [
        "0.1",
        "-0.0",
        "1e-320",
        "123456789.12345678",
        "5e-324",
        "1.7976931348623157e308",
        "1e-400",
    ]
    words += ["179.99999999999997", "9007199254740993"]
    shot = shot_of("ROOT a { OFFSET 0 0 0 CHANNELS 1 Xrotation }", *words)
    expected = np.array([float(word) for word in words])
    assert channels_of(shot).values[:, 0].tobytes() == expected.tobytes()


def test_a_file_of_several_pieces() -> None:
    rng = np.random.default_rng(7)
    values = np.round(rng.normal(scale=90.0, size=(9000, 9)), 6)
    rows = "".join(" ".join(map(str, row)) + "\n" for row in values.tolist())
    data = SAMPLE[: SAMPLE.index("Frames")] + f"Frames: {len(values)}\nFrame Time: 0.01\n" + rows
    assert len(data) > 600_000
    assert np.array_equal(channels_of(read(data.encode(), "a.bvh")).values, values)


def test_frame_times_are_multiples_of_the_frame_time() -> None:
    shot = shot_of(
        "ROOT a { OFFSET 0 0 0 CHANNELS 1 Xrotation }", *["0"] * 50, frame_time="0.0333333"
    )
    assert shot.times_s.tolist() == [frame * 0.0333333 for frame in range(50)]


# --- recognising -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "head", [b"HIERARCHY", b"\n \thierarchy\r\nROOT", b"\xef\xbb\xbfHIERARCHY\n"]
)
def test_content_is_recognised(head: bytes) -> None:
    assert recognises(head)


@pytest.mark.parametrize("head", [b"", b"  ", b"HIERARCHYX", b"glTF", b"MOTION", b"# HIERARCHY"])
def test_other_content_is_not(head: bytes) -> None:
    assert not recognises(head)


def test_bvh_is_among_the_formats() -> None:
    shot = formats()["bvh"].read(Opened(sample(), "a.bvh"))[0]
    assert same_shot(shot, read(sample(), "a.bvh"))
    assert formats() is formats()
