"""Malformed Acclaim pairs: each error names file, place and cause, and nothing else is ever raised."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import AuditError, FormatError
from audit.formats import acclaim
from audit.plugins import Opened
from tests.formats.acclaim_making import MOTION, SKELETON, opened, shot_of


@pytest.mark.parametrize(
    ("old", "new", "where", "cause"),
    [
        (b"boom 44", b"boom 4O", "line 11, frame 2, bone boom", "'4O' is not a number"),
        (b"boom 44", b"boom nan", "line 11, frame 2, bone boom", "not a finite number"),
        (b"boom 44", b"boom 1e31", "line 11, frame 2, bone boom", "too large"),
        (b"boom 44", b"boom 1_0", "line 11, frame 2, bone boom", "is not a number"),
        (
            b"boom 44",
            b"boom 44 1",
            "line 11, frame 2, bone boom",
            "has 2 numbers, but its dof names 1",
        ),
        (b"boom 44", b"boom", "line 11, frame 2, bone boom", "has 0 numbers, but its dof names 1"),
        (b"boom 44", b"bloom 44", "line 11, frame 2", "the skeleton has no bone 'bloom'"),
        (b"boom 44\r\n", b"", "line 13, frame 2", "the bone 'boom' is missing"),
        (b"boom 44", b"boom 44\r\nboom 45", "line 12, frame 2, bone boom", "stands there twice"),
        (b"hook 14 -6\r\n", b"", "line 17, frame 3", "the bone 'hook' is missing"),
        (b"\r\n3\r\n", b"\r\n2\r\n", "line 14", "frame '2' follows frame 2"),
        (b"\r\n1\r\n", b"\r\n", "line 4", "found 'root' before the first frame"),
        (b":DEGREES", b":GRADIANS", "line 3", "':GRADIANS' cannot stand there"),
        (b"boom 44", b":DEGREES", "line 11", "':DEGREES' cannot stand there"),
        (b"\r\n1\r\n", b"\r\n11111111111111111\r\n", "line 4", "too large"),
    ],
)
def test_motion(old: bytes, new: bytes, where: str, cause: str) -> None:
    assert old in MOTION
    with pytest.raises(FormatError) as caught:
        acclaim.read(opened(MOTION.replace(old, new, 1)))
    assert (caught.value.path, caught.value.where) == ("takes/crane.amc", where)
    assert cause in caught.value.cause
    assert caught.value.hint


@pytest.mark.parametrize("data", [b"", b"\n", b":FULLY-SPECIFIED\n:DEGREES\n"])
def test_a_motion_without_frames(data: bytes) -> None:
    with pytest.raises(FormatError, match="holds no frame"):
        acclaim.read(opened(data))


@pytest.mark.parametrize(
    ("old", "new", "there", "cause"),
    [
        (b":bonedata", b":bonedate", b":skin", "the section :bonedata is missing"),
        (b":skin crane.skin", b":root again", b":root again", "':root' stands there twice"),
        (b":version 1.10", b"version 1.10", b"version", "found 'version' before the first section"),
        (b"length 2.0", b"length 0", b"length 0", "not above zero"),
        (b"length 2.0", b"length two", b"length two", "'two' is not a number"),
        (b"angle deg", b"angle grad", b"angle grad", "the unit of angles is 'grad'"),
        (b"   order TX TY TZ RX RY RZ\r\n", b"", b":root", "the root says no order"),
        (b"order TX TY TZ RX RY RZ", b"order", b"order", "order names no channel"),
        (b"TX TY TZ RX RY RZ", b"TX TY TZ RX RY RX", b"order", "rx is named twice"),
        (b"TX TY TZ RX RY RZ", b"TX TY TZ RX RY RQ", b"order", "the root cannot say 'RQ'"),
        (b"   axis XYZ", b"   axis XXZ", b"axis XXZ", "'XXZ' is no order of axes"),
        (
            b"position 0.5 1 -0.25",
            b"position 0.5 1",
            b"orientation",
            "'orientation' is not a number",
        ),
        (b"orientation 10 20 -30", b"orientation 10 20", b"orientation", "needs 3 words"),
        (b"  begin\r\n     id 2\r\n", b"     id 2\r\n", b"id 2", "found 'id' where a bone begins"),
        (b"     name hook", b"     name boom", b"  begin\r\n     id 4", "'boom' is taken"),
        (b"name mast", b"name root", b"  begin\r\n     id 2", "'root' is taken"),
        (b"     name mast\r\n", b"", b"  begin\r\n     id 2", "the bone says no name"),
        (
            b"end\r\n  begin\r\n     id 2",
            b"begin\r\n     id 2",
            b"begin\r\n     id 2",
            "has no end",
        ),
        (b"direction 0.6 0.8 0.0", b"direction 6 8 0", b"direction 6", "of 'slewing' is 10 long"),
        (b"length 2.5", b"length -2.5", b"length -2.5", "below zero"),
        (b"axis 5 0 20 XYZ", b"axis 5 0 20", b"dof rx ry rz", "is no order of axes"),
        (b"axis 5 0 20 XYZ", b"axis 5 inf 20 XYZ", b"axis 5 inf", "is not a finite number"),
        (b"dof rx ry rz", b"dof rx ry", b"limits", "limits holds 6 numbers, but dof names 2"),
        (b"dof rx ry rz", b"dof rx ry ry", b"dof rx ry ry", "ry is named twice"),
        (b"    mast boom", b"    mast bloom", b"mast bloom", "names 'bloom', which is no bone"),
        (b"    mast boom", b"    mast boom cab", b"mast boom cab", "'cab' hangs on two bones"),
        (b"    boom hook", b"    boom root", b"boom root", "root hangs on a bone"),
        (b"    mast boom\r\n", b"", b"  begin\r\n     id 3", "'boom' does not hang on the root"),
        (b"slewing mast cab", b"slewing cab", b"  begin\r\n     id 2", "does not hang on the root"),
        (b":hierarchy\r\n  begin", b":hierarchy", b"  end\r\n:skin", "not closed in begin and end"),
    ],
)
def test_skeleton(old: bytes, new: bytes, there: bytes, cause: str) -> None:
    assert old in SKELETON
    changed = SKELETON.replace(old, new, 1)
    with pytest.raises(FormatError) as caught:
        acclaim.read(opened(MOTION, changed))
    assert caught.value.path == "takes/crane.asf"
    assert cause in caught.value.cause
    line = changed[: changed.index(there)].count(b"\n") + 1
    assert caught.value.where == f"line {line}"
    assert caught.value.hint


def test_bones_in_a_ring() -> None:
    ring = SKELETON.replace(b"slewing mast cab", b"slewing cab").replace(
        b"boom hook", b"boom hook mast"
    )
    with pytest.raises(FormatError, match="does not hang on the root"):
        acclaim.read(opened(MOTION, ring))


def test_a_skeleton_cut_short_anywhere_is_refused_or_whole() -> None:
    for length in range(len(SKELETON)):
        try:
            acclaim.read(Opened(SKELETON[:length], "crane.asf", None))
        except AuditError as error:
            assert error.hint  # noqa: PT017 (some lengths are whole files)
        else:
            assert SKELETON[:length].rstrip().count(b"end") >= SKELETON.count(b"end")


def test_a_motion_cut_short_anywhere_is_refused_or_whole() -> None:
    whole = []
    for length in range(len(MOTION)):
        try:
            shot = shot_of(MOTION[:length])
        except FormatError as error:
            assert error.where  # noqa: PT017
            assert error.hint  # noqa: PT017
        else:
            whole.append((length, shot.frames))
    # A cut between two frames, or behind the last number of a frame, cannot be told from a whole file.
    assert {frames for _, frames in whole} == {1, 2, 3}
    for length, frames in whole:
        assert MOTION[:length].count(b"hook") == frames


@settings(max_examples=400, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(MOTION) + len(SKELETON) - 1),
            st.one_of(st.integers(0, 255), st.sampled_from(list(b"\r\n\t #:()0123456789.-+eErxl"))),
            st.sampled_from(["put", "insert", "drop"]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_damaged_bytes_never_raise_anything_else(changes: list[tuple[int, int, str]]) -> None:
    data = bytearray(MOTION + b"\0" + SKELETON)
    for place, byte, what in changes:
        at = min(place, len(data) - 1)
        data[at : at + (what != "insert")] = b"" if what == "drop" else bytes([byte])
    motion, _, skeleton = bytes(data).partition(b"\0")
    try:
        shot = shot_of(motion, skeleton)
    except AuditError:
        return
    assert np.isfinite(shot.rotations_xyzw).all()
    assert np.isfinite(shot.local_positions).all()
