"""What tables of motion are read to, as CSV and as Parquet."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.formats import csv_table, parquet_table
from audit.plugins import Format
from tests.formats.tables_making import ANGLES, HALF, QUATERNIONS, TABLES, as_format, shot_of

each_table = pytest.mark.parametrize("each", TABLES, ids=lambda each: each.name)


@each_table
def test_angles_become_channels(each: Format) -> None:
    shot = shot_of(each, as_format(each, ANGLES))
    skeleton = shot.skeleton
    assert skeleton.names == ("Hips", "Knee", "Ankle", "Toe")
    assert skeleton.parents.tolist() == [-1, 0, 1, 2]
    assert skeleton.orders == ("ZXY", "XYZ", "ZXY", "ZXY")
    # Hips states no offset: its first position is taken.
    assert skeleton.offsets.tolist() == [[0.5, 1, 0], [0, -0.5, 0], [0, -0.4, 0.1], [0, 0, 0.15]]
    assert skeleton.rest_xyzw.tolist() == [[0.0, 0.0, 0.0, 1.0]] * 4
    assert shot.times_s.tolist() == [0.0, 0.04]
    channels = shot.channels
    assert channels is not None
    assert (channels.rotation_columns >= 0).tolist() == [
        [True] * 3,
        [True, False, False],
        [True] * 3,
        [False] * 3,
    ]
    assert channels.values[:, channels.rotation_columns[0]].tolist() == [[1.5, 20, -3], [2, 21, -4]]
    assert channels.values[:, channels.rotation_columns[1, 0]].tolist() == [40, 45]
    assert channels.values[:, channels.position_columns[0]].tolist() == [
        [0.5, 1, 0],
        [0.5, 1.25, 0.1],
    ]
    assert shot.rotation_keys.tolist() == [[2, 2, 2], [2, 0, 0], [2, 2, 2], [0, 0, 0]]
    assert shot.has_rest_rotations


@each_table
def test_quaternions_become_tracks_with_their_own_times(each: Format) -> None:
    shot = shot_of(each, as_format(each, QUATERNIONS))
    assert shot.skeleton.names == ("Hips", 'Left "Knee", bent')
    assert shot.skeleton.orders == (None, None)
    assert shot.times_s.tolist() == [0.0, 0.25, 0.5, 1.0]
    assert shot.tracks is not None
    hips, knee = shot.tracks.rotations
    assert hips is not None
    assert knee is not None
    assert hips.times_s.tolist() == [0.0, 1.0]
    # In the order of time, not of the rows; bits and signs as they stand there.
    assert knee.times_s.tolist() == [0.25, 0.5]
    half = float(HALF)
    assert knee.values.tolist() == [[0.0, 0.0, -0.6, -0.8], [half, 0.0, 0.0, half]]
    assert np.signbit(knee.values[0, 0])
    assert shot.skeleton.rest_xyzw[1].tolist() == [0.0, 0.0, half, half]
    assert shot.skeleton.tip_joints.tolist() == [1]
    assert shot.skeleton.tip_offsets.tolist() == [[0.0, -0.25, 0.0]]
    assert shot.tracks.length_errors == pytest.approx((0.0, 0.0), abs=1e-15)
    assert not shot.every_frame


@each_table
def test_angles_at_their_own_times_become_tracks(each: Format) -> None:
    text = b"""joint,parent,time_s,rotate_x,rotate_y,rotate_z,rotation_order,rest_x,rest_y,rest_z,rest_w
A,,0,90,0,0,XYZ,0,0,0.6,0.8
A,,1,0,0,90,,,,,
B,A,0.5,,30,,ZYX,,,,
"""
    shot = shot_of(each, as_format(each, text))
    assert shot.tracks is not None
    first, second = shot.tracks.rotations
    assert first is not None
    assert second is not None
    half, rest = 0.5**0.5, np.array([0.0, 0.0, 0.6, 0.8])
    # rest · turn, by hand: (z 0.6, w 0.8) times (x half, w half).
    assert first.values[0] == pytest.approx([0.8 * half, 0.6 * half, 0.6 * half, 0.8 * half])
    assert first.values[1] == pytest.approx([0, 0, (0.6 + 0.8) * half, (0.8 - 0.6) * half])
    assert second.values[0] == pytest.approx([0, np.sin(np.pi / 12), 0, np.cos(np.pi / 12)])
    assert shot.skeleton.rest_xyzw[0].tolist() == rest.tolist()


@each_table
def test_rotation_and_position_may_have_keys_of_their_own(each: Format) -> None:
    text = b"""joint,parent,time_s,x,y,z,w,position_x,position_y,position_z
A,,0,0,0,0,1,,,
A,,1,,,,,1,2,3
A,,2,0,0,0,1,4,5,6
"""
    shot = shot_of(each, as_format(each, text))
    assert shot.tracks is not None
    turn, move = shot.tracks.rotations[0], shot.tracks.positions[0]
    assert turn is not None
    assert move is not None
    assert turn.times_s.tolist() == [0.0, 2.0]
    assert move.times_s.tolist() == [1.0, 2.0]
    assert shot.skeleton.offsets.tolist() == [[1.0, 2.0, 3.0]]


@each_table
def test_a_skeleton_without_motion(each: Format) -> None:
    text = (
        b"joint,parent,time_s,x,y,z,w,offset_x,offset_y,offset_z\nA,,,,,,,0,1,0\nB,A,,,,,,0,2,0\n"
    )
    shot = shot_of(each, as_format(each, text))
    assert shot.times_s.tolist() == [0.0]
    assert shot.skeleton.offsets.tolist() == [[0.0, 1.0, 0.0], [0.0, 2.0, 0.0]]


@each_table
def test_quaternions_that_are_not_of_unit_length(each: Format) -> None:
    text = b"""joint,parent,time_s,x,y,z,w
A,,0,0,0,0,1
A,,1,0,0,1.2,1.6
B,A,0,0,0,0.6,0.800001
"""
    shot = shot_of(each, as_format(each, text))
    assert shot.tracks is not None
    first, second = shot.tracks.rotations
    assert first is not None
    assert second is not None
    assert first.values[1] == pytest.approx([0, 0, 0.6, 0.8])
    # Within the rounding of six decimals a key stays as it is.
    assert second.values[0].tolist() == [0, 0, 0.6, 0.800001]
    assert shot.tracks.length_errors == pytest.approx((1.0, 0.8e-6), rel=1e-3)


@each_table
def test_children_may_stand_before_their_parents(each: Format) -> None:
    text = (
        b"joint,parent,time_s,x,y,z,w\nC,B,0,0,0,0,1\nB,A,0,0,0,1,0\nA,,0,0,1,0,0\nD,A,0,1,0,0,0\n"
    )
    shot = shot_of(each, as_format(each, text))
    assert shot.skeleton.names == ("A", "B", "C", "D")
    assert shot.skeleton.parents.tolist() == [-1, 0, 1, 0]
    assert shot.rotations_xyzw[0].tolist() == [
        [0, 1, 0, 0],
        [0, 0, 1, 0],
        [0, 0, 0, 1],
        [1, 0, 0, 0],
    ]


def test_layout_of_text() -> None:
    plain = shot_of(csv_table.FORMAT, QUATERNIONS)
    for change in (
        QUATERNIONS.replace(b"\r\n", b"\n"),
        QUATERNIONS.replace(b"\r\n", b"\r"),
        b"\xef\xbb\xbf" + QUATERNIONS,
        b"# a comment, with commas\r\n\r\n"
        + QUATERNIONS.replace(b"\r\n1,", b"\r\n,,,\r\n  # b\r\n1,"),
        QUATERNIONS.replace(b"time_s,joint", b'"time_s", joint').replace(
            b"0,0,0,1,", b" 0,+0,0.,1e0,"
        ),
        QUATERNIONS.rstrip(),
    ):
        shot = shot_of(csv_table.FORMAT, change)
        assert shot.skeleton.names == plain.skeleton.names
        assert shot.rotations_xyzw.tolist() == plain.rotations_xyzw.tolist()


def test_types_of_columns_in_parquet() -> None:
    table = pa.table(
        {
            "joint": pa.array(["A", "B"]).dictionary_encode(),
            "parent": pa.array(["", "A"], pa.large_string()),
            "time_s": pa.array([0, 0], pa.int16()),
            "x": pa.array([0.0, 0.6], pa.float32()),
            "y": pa.array([0.0, 0.0], pa.float64()),
            "z": pa.array([0, 0], pa.uint8()),
            "w": pa.array([1.0, 0.8], pa.float32()),
            "rotation_order": pa.nulls(2),
        }
    )
    for compression in ("none", "zstd", "gzip"):
        buffer = io.BytesIO()
        pq.write_table(table, buffer, compression=compression)
        shot = shot_of(parquet_table.FORMAT, buffer.getvalue())
        assert shot.skeleton.names == ("A", "B")
        assert shot.rotations_xyzw[0, 1].tolist() == [np.float32(0.6), 0, 0, np.float32(0.8)]


@each_table
def test_a_table_made_by_pandas(each: Format) -> None:
    rng = np.random.default_rng(3)
    keys = rng.normal(size=(200, 4))
    keys /= np.linalg.norm(keys, axis=1, keepdims=True)
    table = pd.DataFrame(
        {
            "joint": np.repeat(["A", "B"], 100),
            "parent": np.repeat(["", "A"], 100),
            "time_s": np.tile(np.arange(100) / 24.0, 2),
        }
        | {name: keys[:, column] for column, name in enumerate("xyzw")}
    ).sample(frac=1.0, random_state=1)
    buffer = io.BytesIO()
    if each is csv_table.FORMAT:
        table.to_csv(buffer, index=False)
    else:
        table.to_parquet(buffer, index=False)
    shot = shot_of(each, buffer.getvalue())
    assert shot.every_frame
    assert shot.rotations_xyzw.tolist() == np.stack((keys[:100], keys[100:]), axis=1).tolist()


def test_recognised() -> None:
    assert csv_table.recognises(b'\xef\xbb\xbf# x\n\n"joint" ,time_s,parent,x\n')
    assert not csv_table.recognises(b"joint,parent,rotation_order,kind\n")
    assert not csv_table.recognises(b"joint;parent;time_s\n")
    assert parquet_table.recognises(b"PAR1....")
