"""Everything before the rows of a BVH file: the skeleton, its channels, the count of frames and their time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, NoReturn

import numpy as np

from audit.conventions import AXES, ORDER_WITHOUT_CHOICE
from audit.errors import FormatError
from audit.formats.bvh._hierarchy import CHANNEL_NAMES, HierarchyReader
from audit.formats.bvh._text import line_at, number_from
from audit.model import Skeleton
from audit.model.skeleton import Indices
from audit.spelling import shown

BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"

# No joint name is mistaken for the keyword: a name follows ROOT or JOINT on its line, and has no brace.
_MOTION = re.compile(rb"(?:\A|[\r\n}])[ \t]*(MOTION)(?![^ \t\r\n])", re.IGNORECASE)
_FRAMES = re.compile(rb"[ \t\r\n]*Frames[ \t]*:[ \t]*([^ \t\r\n]*)", re.IGNORECASE)
_FRAME_TIME = re.compile(
    rb"[ \t\r\n]*Frame[ \t]+Time[ \t]*:[ \t]*([^ \t\r\n]*)([^\r\n]*)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Header:
    """What stands before the rows.

    Attributes
    ----------
    skeleton
        The joints, in the order of the file.
    channels
        For each column of the rows the place of its joint and the channel's name.
    rotation_columns, position_columns : (J, 3)
        As in :class:`audit.model.Channels`.
    frames, frames_line
        The count of frames that the file states, and the line it stands on.
    frame_time_s
        Seconds from frame to frame.
    rows_start
        Place in the file where the rows begin: white space, or the end of the file.
    """

    skeleton: Skeleton
    channels: tuple[tuple[int, str], ...]
    rotation_columns: Indices
    position_columns: Indices
    frames: int
    frames_line: int
    frame_time_s: float
    rows_start: int


def completed_order(letters: str) -> str:
    """Return the rotation order of a joint that has channels about some of the axes only.

    Parameters
    ----------
    letters
        Axes of the joint's rotation channels in the order written, at most three.

    Returns
    -------
    str
        The missing letters first, in alphabetical order: a channel that is always zero changes nothing where it
        stands, and this leaves the joint's own channels innermost.
    """
    if not letters:
        return ORDER_WITHOUT_CHOICE
    return "".join(axis for axis in AXES if axis not in letters) + letters


def read_header(data: bytes, path: str) -> Header:
    """Read everything before the rows.

    Parameters
    ----------
    data
        The whole file.
    path
        Its path, for error messages.

    Raises
    ------
    FormatError
        Where it breaks the format's rules.
    """
    start = len(BYTE_ORDER_MARK) if data.startswith(BYTE_ORDER_MARK) else 0
    motion = _MOTION.search(data, start)
    raw = data[start : motion.start(1) if motion else len(data)]
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    joints = HierarchyReader(path, ends_with_motion=motion is not None).read(text)
    if motion is None:
        raise FormatError(
            "MOTION is missing",
            path=path,
            where=f"line {line_at(data, len(data))}",
            hint="The file seems to be cut short; BVH without motion cannot be looked at",
        )
    frames, frames_line, frame_time_s, rows_start = _frames_and_time(data, motion.end(), path)
    channels = tuple((joint, name) for joint, names in enumerate(joints.channels) for name in names)
    columns = {name: np.full(len(joints.names), -1, dtype=np.int64) for name in CHANNEL_NAMES}
    for column, (joint, name) in enumerate(channels):
        columns[name][joint] = column
    orders = (
        completed_order("".join(name[0] for name in names if name.endswith("rotation")))
        for names in joints.channels
    )
    # End sites are listed by joint, so that where they stand among a joint's children makes no difference.
    tips = sorted(joints.tips, key=lambda tip: tip[0])
    skeleton = Skeleton(
        names=tuple(joints.names),
        parents=np.array(joints.parents),
        offsets=np.array(joints.offsets),
        rest_xyzw=np.tile([0.0, 0.0, 0.0, 1.0], (len(joints.names), 1)),
        orders=tuple(orders),
        tip_joints=np.array([joint for joint, _ in tips], dtype=np.int64),
        tip_offsets=np.array([offset for _, offset in tips]).reshape(-1, 3),
    )
    return Header(
        skeleton=skeleton,
        channels=channels,
        rotation_columns=np.stack([columns[f"{axis}rotation"] for axis in AXES], axis=1),
        position_columns=np.stack([columns[f"{axis}position"] for axis in AXES], axis=1),
        frames=frames,
        frames_line=frames_line,
        frame_time_s=frame_time_s,
        rows_start=rows_start,
    )


def _frames_and_time(data: bytes, start: int, path: str) -> tuple[int, int, float, int]:
    """Return the count of frames, its line, the frame time in seconds and where the rows start."""
    found = _FRAMES.match(data, start)
    if not found:
        _missing(data, start, path, "Frames: and the number of frames")
    count = found[1].decode("latin-1")
    line = line_at(data, found.start(1))
    where = f"line {line}"
    if not re.fullmatch(r"\+?\d{1,18}", count, re.ASCII) or int(count) == 0:
        raise FormatError(
            f"Frames: {shown(count)} is not a number of frames",
            path=path,
            where=where,
            hint="It is a whole number from 1 up, the count of the rows below it",
        )
    time = _FRAME_TIME.match(data, found.end())
    if not time:
        _missing(data, found.end(), path, "Frame Time: and the seconds from frame to frame")
    where = f"line {line_at(data, time.start(1))}"
    if not time[1]:
        raise FormatError(
            "Frame Time: has no number",
            path=path,
            where=where,
            hint="Seconds from frame to frame belong there",
        )
    seconds = number_from(time[1].decode("latin-1"), path, where)
    if not 0.0 < seconds * max(int(count) - 1, 1) < np.inf:
        raise FormatError(
            f"Frame Time: {shown(time[1].decode('latin-1'))} is no usable time",
            path=path,
            where=where,
            hint="It is in seconds, above zero: 0.04 for 25 frames a second",
        )
    if time[2].strip(b" \t"):
        raise FormatError(
            f"{shown(time[2].decode('latin-1').strip())} stands after the frame time",
            path=path,
            where=where,
            hint="The rows begin on the next line; BVH has no comments",
        )
    return int(count), line, seconds, time.end()


def _missing(data: bytes, start: int, path: str, wanted: str) -> NoReturn:
    """Raise the error for a line of the MOTION section that is not there."""
    found = re.compile(rb"[^ \t\r\n][^\r\n]*").search(data, start)
    got = f"found {shown(found[0].decode('latin-1'))}" if found else "the file ends"
    raise FormatError(
        f"expected {wanted}, but {got}",
        path=path,
        where=f"line {line_at(data, found.start() if found else len(data))}",
        hint="MOTION, Frames: and Frame Time: stand above the rows, in this order",
    )
