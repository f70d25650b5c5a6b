"""BVH: a skeleton and its motion as plain text, one row of numbers for each frame.

What is read
    ``HIERARCHY`` with one or more ``ROOT`` trees, then ``MOTION`` with ``Frames``, ``Frame Time`` and the
    rows. Any joint may have any of the six channels in any order, from none to six; ``OFFSET`` and
    ``CHANNELS`` stand before the joint's children, and a joint without ``CHANNELS`` has none. A joint may have
    several end sites, and names may repeat, hold spaces and hold any letter (UTF-8, else Latin-1; a byte order
    mark is skipped). Keywords may be in any case. Braces may stand on any line. Tabs, blank lines, any line
    ending, a missing last line ending and every decimal spelling (``5.``, ``+5``, ``.5``, ``1e-3``) are fine.
    So is a row that runs over several lines, as long as every row still ends where a line ends.

How it is understood
    Angles are degrees. Rotation channels apply in the order written: ``Zrotation Xrotation Yrotation`` means
    ``Rz · Rx · Ry`` for column vectors, rotation order ``ZXY``. A joint with fewer than three rotation
    channels turns about those axes only; its order is completed by putting the missing letters first, so that
    the channels it has stay innermost. Position channels are the joint's whole local translation: they take
    the place of ``OFFSET``, axis by axis. BVH has no rest rotations, so the rest pose is the bare offsets.
    Frames are counted from 0, lines from 1. The unit of length is whatever the file's author used.

What is kept
    Names, offsets, end sites, channels with their order and their numbers, and the times. A file that is
    written and read again gives the same to the last bit. The layout is not kept.

What is refused
    Nothing is guessed. Text where a number should be, NaN and infinite numbers, a row with too few or too many
    numbers, another count of rows than ``Frames`` says, a frame time that is not above zero, comments and any
    text after the last row, unbalanced braces, unknown keywords, a channel named twice, and a file cut short:
    each is an error that names the line, and in the rows the frame and the channel too:

        takes/walk.bvh: line 20, frame 1, channel Boom Xrotation: '3O.0' is not a number. Only numbers such as
        12.5 or -1e-3 may stand there; BVH has no comments
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final

import numpy as np

from audit.formats.bvh._header import BYTE_ORDER_MARK, read_header
from audit.formats.bvh._rows import read_rows
from audit.formats.bvh._write import write
from audit.model import Channels, Shot
from audit.plugins import Format, Opened, only_one

__all__ = ["FORMAT", "read", "recognises", "sample", "write"]

WORTH_A_THREAD: Final = 1 << 20
"""Bytes from which on a second thread saves more than it takes to begin one."""


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is BVH."""
    words = head.removeprefix(BYTE_ORDER_MARK).split(maxsplit=1)
    return bool(words) and words[0].upper() == b"HIERARCHY"


def read(data: bytes, path: str) -> Shot:
    """Read a BVH file.

    Parameters
    ----------
    data
        The whole file.
    path
        Its path, for the shot's source and for error messages.

    Returns
    -------
    Shot
        Made of channels: the numbers are kept as the file has them, in degrees and in the file's unit of
        length. The first frame is at 0 s.

    Raises
    ------
    FormatError
        Where the file breaks the format's rules, with the line, and in the rows the frame and the channel.
    """
    opened = Opened(data, path)
    if len(data) < WORTH_A_THREAD:
        source = opened.source("bvh")
        header = read_header(data, path)
        values = read_rows(data, header, path)
    else:
        with ThreadPoolExecutor(max_workers=1) as pool:
            hashed = pool.submit(opened.source, "bvh")
            header = read_header(data, path)
            values = read_rows(data, header, path, pool)
            source = hashed.result()
    return Shot(
        skeleton=header.skeleton,
        times_s=np.arange(header.frames, dtype=np.float64) * header.frame_time_s,
        source=source,
        channels=Channels(values, header.rotation_columns, header.position_columns),
        has_rest_rotations=False,
    )


def read_opened(opened: Opened) -> tuple[Shot, ...]:
    """Return the one shot of a BVH file; InputError where a separate skeleton is given."""
    opened.check_whole()
    return (read(opened.data, opened.path),)


def write_files(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Return the one file of a BVH shot by its name; UsageError where there are several shots."""
    return {name: write(only_one(shots, "a BVH file"))}


def sample() -> bytes:
    """Return a tiny valid file: two joints, two frames."""
    return b"""HIERARCHY
ROOT Mast
{
	OFFSET 0.0 0.0 0.0
	CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
	JOINT Boom
	{
		OFFSET 0.0 2.5 0.0
		CHANNELS 3 Zrotation Xrotation Yrotation
		End Site
		{
			OFFSET 0.0 1.5 0.0
		}
	}
}
MOTION
Frames: 2
Frame Time: 0.04
0.0 1.0 0.0 0.0 0.0 0.0 0.0 0.0 0.0
0.1 1.0 0.0 5.0 -2.5 0.25 0.0 30.0 0.0
"""


FORMAT = Format(
    name="bvh",
    title="Skeleton and motion as text, one row of numbers a frame",
    suffixes=(".bvh",),
    recognises=recognises,
    read=read_opened,
    sample=lambda: Opened(sample(), "sample.bvh"),
    write=write_files,
)
