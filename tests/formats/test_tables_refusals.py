"""Malformed tables: each error names line or row, and column, and nothing else is ever raised."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import AuditError, FormatError, InputError
from audit.formats import csv_table, parquet_table
from audit.plugins import Format, Opened
from tests.formats.tables_making import ANGLES, QUATERNIONS, TABLES, as_format, shot_of

CSV, PARQUET = TABLES

PLAIN = b"""joint,parent,time_s,x,y,z,w,rotation_order,offset_x,offset_y,offset_z
A,,0,0,0,0,1,XYZ,0,1,0
A,,1,0,0,0,1,,,,
B,A,0,0,0,0,1,,0,2,0
B,A,1,0,0,0.6,0.8,,,,
"""


def refused(each: Format, data: bytes) -> FormatError:
    with pytest.raises(FormatError) as caught:
        shot_of(each, data)
    assert caught.value.path == f"takes/table{each.suffixes[0]}"
    assert caught.value.where
    assert caught.value.hint
    return caught.value


@pytest.mark.parametrize(
    ("old", "new", "where", "cause"),
    [
        (b"B,A,1,0,0,0.6", b"B,A,1,0,0,O.6", "line 5, column z", "'O.6' is not a number"),
        (b"B,A,1,0,0,0.6", b"B,A,1,0,0,1_0", "line 5, column z", "'1_0' is not a number"),
        (b"B,A,1,0,0,0.6", b"B,A,1,0,0,nan", "line 5, column z", "nan is not a finite number"),
        (b"B,A,1,0,0,0.6", b"B,A,1,0,0,-inf", "line 5, column z", "-inf is not a finite number"),
        (b"B,A,1,0,0,0.6", b"B,A,1,0,0,1e31", "line 5, column z", "1e+31 is too large"),
        (b"B,A,1,0,0,0.6", b"B,A,1,0,0,", "line 5, column z", "the cell is empty"),
        (b"B,A,1,0,0,0.6,0.8", b"B,A,1,0,0,0,0", "line 5, column x", "has no length"),
        (b"B,A,1,", b"B,A,,", "line 5, column time_s", "the key has no time"),
        (b"B,A,1,", b"B,A,0,", "line 5, column time_s", "has another row at 0 s"),
        (b"B,A,1,", b"B,A,one,", "line 5, column time_s", "'one' is not a number"),
        (b"B,A,1,", b",A,1,", "line 5, column joint", "the joint has no name"),
        (
            b"B,A,1,",
            b"B,,1,",
            "line 5, column parent",
            "the parent of 'B' is '' here and 'A' before",
        ),
        (b"B,A,", b"B,C,", "line 4, column parent", "the parent 'C' is no joint"),
        (b"A,,", b"A,B,", "line 2, column parent", "its own ancestor"),
        (b"0.8,,,,", b"0.8,,0,3,0", "line 5, column offset_y", "3 here, 2 before"),
        (b"0.8,,,,", b"0.8,,0,,0", "line 5, column offset_y", "the cell is empty"),
        (b"XYZ", b"XYX", "line 2, column rotation_order", "'XYX' is no rotation order"),
        (
            b"A,,1,0,0,0,1,,",
            b"A,,1,0,0,0,1,ZYX,",
            "line 3, column rotation_order",
            "ZYX here, XYZ before",
        ),
        (
            b"B,A,1,0,0,0.6,0.8,,,,",
            b"B,A,1,0,0,0.6",
            "line 5",
            "has 6 cells, but the header names 11",
        ),
        (b"B,A,1,0,0,0.6,0.8,,,,", b"B,A,1,0,0,0,6,0,8,,,,", "line 5", "has 13 cells"),
        (b"B,A,0", b'"B,A,0', "line 4", "a quotation mark is not closed"),
        (b"x,y,z,w", b"x,y,z,v", "line 1", "the column 'v' is not known"),
        (b"x,y,z,w", b"x,y,w", "line 1", "the column z is missing"),
        (b"offset_y", b"offsety", "line 1", "'offsety' is not known"),
        (b"offset_y", b"offset_x", "line 1", "'offset_x' is there twice"),
        (b",time_s", b",time", "line 1", "'time' is not known"),
        (b"x,y,z,w", b"rest_x,rest_y,rest_z,rest_w", "line 1", "there are no rotations"),
        (b"A,,1", b"\xff,,1", "line 3", "is not UTF-8"),
    ],
)
def test_text(old: bytes, new: bytes, where: str, cause: str) -> None:
    assert old in PLAIN
    error = refused(CSV, PLAIN.replace(old, new))
    assert error.where == where
    assert cause in error.cause
    # Lines are counted as they stand in the file, comments and blank ones too.
    later = refused(CSV, b"# one\r\n\r\n" + PLAIN.replace(old, new))
    assert later.where == where.replace(
        where.split(",", maxsplit=1)[0], f"line {int(where.split(',', maxsplit=1)[0][5:]) + 2}"
    )


def test_a_near_name_is_offered() -> None:
    assert refused(CSV, PLAIN.replace(b"offset_y", b"offsety")).hint == "Did you mean offset_y?"


@pytest.mark.parametrize(
    ("old", "new", "where", "cause"),
    [
        (
            b"Knee,Hips,0.04,,45,,",
            b"Knee,Hips,0.04,,45,1,",
            "column rotate_y",
            "filled here and empty before",
        ),
        (
            b"Hips,,0.04,ZXY,2,21,-4",
            b"Hips,,0.04,ZXY,2,,-4",
            "column rotate_y",
            "the cell is empty",
        ),
        (b"0.5,1.25,0.1", b"0.5,,0.1", "column position_y", "the cell is empty"),
        (
            b"Knee,Hips,0,XYZ",
            b"Knee,Hips,0,",
            "column rotation_order",
            "has angles, but no rotation order",
        ),
        (b"rotation_order", b"rest_x", "line 2", "rotation_order is missing"),
        (
            b"rotate_x,rotate_y,rotate_z",
            b"rotate_x,rotate_y,rest_z",
            "line 2",
            "rotate_z is missing",
        ),
    ],
)
def test_angles(old: bytes, new: bytes, where: str, cause: str) -> None:
    assert old in ANGLES
    error = refused(CSV, ANGLES.replace(old, new))
    assert where in (error.where or "")
    assert cause in error.cause or "is missing" in error.cause


def test_rotations_twice() -> None:
    data = b"joint,parent,time_s,x,y,z,w,rotate_x,rotate_y,rotate_z,rotation_order\n"
    assert "rotations stand there twice" in refused(CSV, data).cause


@pytest.mark.parametrize("data", [b"", b"\n\n", b"# only this\n", b"\xef\xbb\xbf"])
def test_no_header(data: bytes) -> None:
    assert refused(CSV, data).cause == "has no header line"


@pytest.mark.parametrize("each", TABLES, ids=lambda each: each.name)
def test_no_rows(each: Format) -> None:
    header = PLAIN.splitlines(keepends=True)[0]
    assert "the table has no rows" in refused(each, as_format(each, header)).cause


@pytest.mark.parametrize("each", TABLES, ids=lambda each: each.name)
def test_rest_rotations_of_another_length(each: Format) -> None:
    text = b"joint,parent,time_s,x,y,z,w,rest_x,rest_y,rest_z,rest_w\nA,,0,0,0,0,1,,,,\nA,,1,0,0,0,1,0,0,1,1\n"
    error = refused(each, as_format(each, text))
    assert error.cause == "the rest rotation has length 1.414"
    assert error.where == ("line 3, column rest_x" if each is CSV else "row 1, column rest_x")


@pytest.mark.parametrize("each", TABLES, ids=lambda each: each.name)
def test_a_skeleton_apart_is_not_wanted(each: Format) -> None:
    data = as_format(each, PLAIN)
    with pytest.raises(InputError, match="holds its own skeleton"):
        each.read(Opened(data, "a", Opened(b"", "a.asf")))


# --- Parquet ------------------------------------------------------------------------------------------------


def parquet(**columns: Any) -> bytes:
    table = {
        "joint": pa.array(["A", "A"]),
        "parent": pa.array([None, None], pa.string()),
        "time_s": pa.array([0.0, 1.0]),
        "x": pa.array([0.0, 0.0]),
        "y": pa.array([0.0, 0.0]),
        "z": pa.array([0.0, 0.0]),
        "w": pa.array([1.0, 1.0]),
    } | columns
    buffer = io.BytesIO()
    pq.write_table(pa.table(table), buffer)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("columns", "where", "cause"),
    [
        ({"w": pa.array([1.0, np.nan])}, "row 1, column w", "nan is not a finite number"),
        ({"w": pa.array([1.0, np.inf])}, "row 1, column w", "inf is not a finite number"),
        ({"w": pa.array([1.0, None])}, "row 1, column w", "the cell is empty"),
        ({"w": pa.array(["1", "1"])}, "row 0, column w", "holds string, not numbers"),
        ({"w": pa.array([[1.0], [1.0]])}, "row 0, column w", "not numbers"),
        ({"joint": pa.array([1, 2])}, "row 0, column joint", "holds int64, not words"),
        ({"joint": pa.array(["A", None])}, "row 1, column joint", "the joint has no name"),
        ({"parent": pa.array([None, "A"])}, "row 1, column parent", "is 'A' here and '' before"),
        ({"time_s": pa.array([1.0, 1.0])}, "row 1, column time_s", "another row at 1 s"),
        ({"shot": pa.array(["a", "a"])}, "the columns", "the column 'shot' is not known"),
    ],
)
def test_parquet(columns: dict[str, Any], where: str, cause: str) -> None:
    error = refused(PARQUET, parquet(**columns))
    assert error.where == where
    assert cause in error.cause


def test_parquet_cut_short() -> None:
    data = parquet()
    for length in range(0, len(data), 5):
        refused(PARQUET, data[:length])


def test_parquet_that_would_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_table, "MOST_ROWS", 1)
    assert "would unpack to 2 rows" in refused(PARQUET, parquet()).cause
    monkeypatch.undo()
    # A column that repeats itself packs a million rows into a few hundred bytes.
    count = 2_000_000
    table = pa.table(
        {"joint": pa.array(["A"] * count).dictionary_encode(), "time_s": pa.nulls(count)}
    )
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    assert len(buffer.getvalue()) < 50_000
    monkeypatch.setattr(parquet_table, "MOST_ROWS", count - 1)
    assert "would unpack to 2,000,000 rows" in refused(PARQUET, buffer.getvalue()).cause


# --- damage -------------------------------------------------------------------------------------------------


def damaged(data: bytes, changes: list[tuple[float, int, str]]) -> bytes:
    result = bytearray(data)
    for place, byte, what in changes:
        at = int(place * (len(result) - 1)) if result else 0
        result[at : at + (what != "insert")] = b"" if what == "drop" else bytes([byte])
    return bytes(result)


changes = st.lists(
    st.tuples(
        st.floats(0, 1),
        st.one_of(st.integers(0, 255), st.sampled_from(list(b'\r\n\t ,"#0123456789.-eExyzw'))),
        st.sampled_from(["put", "insert", "drop"]),
    ),
    min_size=1,
    max_size=4,
)


@pytest.mark.parametrize("each", TABLES, ids=lambda each: each.name)
@pytest.mark.parametrize("text", [ANGLES, QUATERNIONS, PLAIN])
@settings(max_examples=150, deadline=None)
@given(changes=changes)
def test_damaged_bytes_never_raise_anything_else(
    each: Format, text: bytes, changes: list[tuple[float, int, str]]
) -> None:
    try:
        shot = shot_of(each, damaged(as_format(each, text), changes))
    except AuditError:
        return
    assert np.isfinite(shot.rotations_xyzw).all()
    assert np.isfinite(shot.local_positions).all()


def test_text_cut_short_anywhere_is_refused_or_whole() -> None:
    whole = []
    for length in range(len(PLAIN)):
        try:
            whole.append((length, shot_of(CSV, PLAIN[:length])))
        except FormatError as error:
            assert error.where  # noqa: PT017
            assert error.hint  # noqa: PT017
    # Only behind the last cell of a row: each of these has as many commas as its lines need.
    for length, _ in whole:
        lines = PLAIN[:length].splitlines()
        assert all(line.count(b",") == 10 for line in lines)
    assert csv_table.recognises(PLAIN[:30])
