"""Tables of motion made in code, and shots whose joints are turned as a correction turns them."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.formats import csv_table, parquet_table
from audit.model import Shot, Skeleton, Track, Tracks
from audit.plugins import Format, Opened
from audit.rotations import conjugate, multiply, rotate

Array = npt.NDArray[np.float64]

TABLES = (csv_table.FORMAT, parquet_table.FORMAT)

ANGLES = b"""# Invented; joints have keys at the same times
joint,parent,time_s,rotation_order,rotate_x,rotate_y,rotate_z,\
position_x,position_y,position_z,offset_x,offset_y,offset_z
Hips,,0,ZXY,1.50,20,-3,0.5,1,0,,,
Knee,Hips,0,XYZ,40,,,,,,0,-0.5,0
Ankle,Knee,0,zxy,5,0.25,1e0,,,,0,-0.4,0.1
Hips,,0.04,ZXY,2,21,-4,0.5,1.25,0.1,,,

Knee,Hips,0.04,,45,,,,,,,,
Ankle,Knee,0.04,ZXY,6,0.5,1,,,,0,-0.4,.1
Toe,Ankle,,,,,,,,,0,0,0.15
"""

HALF = repr(0.5**0.5)
QUATERNIONS = (
    f"time_s,joint,parent,x,y,z,w,rest_x,rest_y,rest_z,rest_w,offset_x,offset_y,offset_z,tip_x,tip_y,tip_z\r\n"
    f"0,Hips,,0,0,0,1,,,,,0,1,0,,,\r\n"
    f'0.5,"Left ""Knee"", bent",Hips,{HALF},0,0,{HALF},0,0,{HALF},{HALF},0,-0.5,0,0,-0.25,0\r\n'
    f'0.25,"Left ""Knee"", bent",Hips,-0.0,0,-0.6,-0.8,,,,,,,,,,\r\n'
    f"1,Hips,,0,{HALF},0,{HALF},,,,,,,,,,\r\n"
).encode()


def shot_of(each: Format, data: bytes) -> Shot:
    (shot,) = each.read(Opened(data, f"takes/table{each.suffixes[0]}"))
    return shot


def written(each: Format, shot: Shot) -> bytes:
    assert each.write is not None
    (data,) = each.write([shot], f"out{each.suffixes[0]}").values()
    return data


def as_format(each: Format, data: bytes) -> bytes:
    """Return a CSV text as a file of a format, by pandas and by nothing of the project."""
    if each is csv_table.FORMAT:
        return data
    words = pd.read_csv(io.BytesIO(data), comment="#", dtype=str, keep_default_na=False)
    table = pd.DataFrame(
        {
            str(name).strip(): column.tolist()
            if str(name).strip() in ("joint", "parent", "rotation_order")
            else np.array([float(word) if word.strip() else np.nan for word in column], dtype=float)
            for name, column in words.items()
        }
    )
    buffer = io.BytesIO()
    table.to_parquet(buffer)
    return buffer.getvalue()


def frame_of(each: Format, data: bytes) -> pd.DataFrame:
    """Return a file as a table, by pandas."""
    if each is csv_table.FORMAT:
        return pd.read_csv(io.BytesIO(data), comment="#")
    return pd.read_parquet(io.BytesIO(data))


def turned(shot: Shot, turns: dict[str, Array]) -> Shot:
    """Return a shot of tracks with the axes of some joints turned, from the definition W' = W A."""
    old = shot.skeleton
    identity = np.array([0.0, 0.0, 0.0, 1.0])
    by = np.stack([turns.get(name, identity) for name in old.names], axis=1)
    up = np.stack([by[:, parent] if parent >= 0 else identity for parent in old.parents], axis=1)
    skeleton = Skeleton(
        names=old.names,
        parents=old.parents,
        offsets=rotate(conjugate(up), old.offsets.T).T,
        rest_xyzw=multiply(multiply(conjugate(up), old.rest_xyzw.T), by).T,
        orders=old.orders,
        tip_joints=old.tip_joints,
        tip_offsets=rotate(conjugate(by[:, old.tip_joints]), old.tip_offsets.T).T,
    )
    shown = replace(shot, skeleton=skeleton, turned=by.T)
    if shot.tracks is None:
        above, own = conjugate(up)[..., None], by[..., None]
        rotations = np.ascontiguousarray(shot.rotations_xyzw.T)
        return replace(
            shown,
            channels=None,
            rotations=multiply(multiply(above, rotations), own).T,
            positions=rotate(above, np.ascontiguousarray(shot.local_positions.T)).T,
        )
    turnings: list[Track | None] = []
    movings: list[Track | None] = []
    for joint, (turning, moving) in enumerate(
        zip(shot.tracks.rotations, shot.tracks.positions, strict=True)
    ):
        above, own = conjugate(up[:, joint])[:, None], by[:, joint][:, None]
        turnings.append(
            None
            if turning is None
            else Track(turning.times_s, multiply(multiply(above, turning.values.T), own).T)
        )
        movings.append(
            None if moving is None else Track(moving.times_s, rotate(above, moving.values.T).T)
        )
    return replace(shown, tracks=Tracks(tuple(turnings), tuple(movings), shot.tracks.scales))
