"""Acclaim: a skeleton file (.asf) and motion files (.amc) of captured motion, as plain text.

What is read
    A motion and the skeleton that belongs to it: ``hinge-audit report walk.amc --skeleton walk.asf``. A
    skeleton without motion is one frame at rest. Of the skeleton ``:units`` (length, and angle in deg or rad),
    ``:root`` (order, axis, position, orientation), ``:bonedata`` (name, direction, length, axis, dof, limits)
    and ``:hierarchy`` are used; ``:name``, ``:documentation``, ``:skin``, masses and whatever else stands
    there are kept as they are. Of the motion ``:FULLY-SPECIFIED``, ``:DEGREES`` or ``:RADIANS``, and the
    frames, with the bones in any order. ``dof`` may name any of tx ty tz rx ry rz l. Comments begin with
    ``#``; commas and parentheses are white space. Keywords may be in any case; names are UTF-8, else Latin-1.

How it is understood
    A bone begins where its parent ends. Its joint is at its start, in the axes that ``axis`` gives: rotations
    about fixed axes of the world, in the order of the letters, one angle a letter. The motion's numbers turn
    the joint away from rest in these axes, in the order of ``dof``: ``rx ry rz`` is Rz · Ry · Rx, rotation
    order ``ZYX``; axes that ``dof`` leaves out stay at zero. Lengths and positions, in the motion too, are
    multiplied by the unit of length. ``tx ty tz`` of a bone move it in its own axes at rest, and ``l`` is
    added to its length; the root's are added to ``position`` in world axes. A motion holds no time: frames are
    taken at 120 a second, which is common practice for such files, no source. The first is at 0 s.

What is kept
    Everything: a pair that was read is written back byte for byte, but for ``axis``, ``dof`` and ``limits`` of
    turned bones, ``orientation`` and ``order`` of a turned root, and their lines in the motion.

What is refused
    A motion without its skeleton, or with another one; a bone that is named twice, hangs on nothing or on two;
    a direction that is not of length one; a frame that lacks a bone or has one twice; too few or too many
    numbers, text where a number should be, NaN and infinite numbers (limits may be ``inf``); frame numbers
    that do not increase; a file cut short. Each error names the line, and in the motion the frame and the
    bone:

        takes/crane.amc: line 11, frame 2, bone boom: '4O' is not a number. Only numbers such as 12.5 or -1e-3
        may stand there
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import PurePath

import numpy as np

from audit.errors import InputError
from audit.formats.acclaim._fresh import FRAMES_PER_SECOND, fresh
from audit.formats.acclaim._motion import read_motion
from audit.formats.acclaim._pose import channels_of, skeleton_of
from audit.formats.acclaim._skeleton_reader import read_skeleton
from audit.formats.acclaim._text import BYTE_ORDER_MARK
from audit.formats.acclaim._write import Pair, patched
from audit.model import Channels, Shot
from audit.model.frozen import frozen_array
from audit.plugins import Format, Opened, only_one

__all__ = ["FORMAT", "FRAMES_PER_SECOND", "read", "recognises", "sample", "write"]

_COMMENTS = rb"(?:[ \t\r\n]|#[^\r\n]*[\r\n])*"
_MOTION = re.compile(_COMMENTS + rb":(?:fully-specified|degrees|radians)\b", re.IGNORECASE)
_SKELETON = re.compile(_COMMENTS + rb":(?:version|name|units|root)\b", re.IGNORECASE)


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is one of the pair."""
    bare = head.removeprefix(BYTE_ORDER_MARK)
    return bool(_MOTION.match(bare) or _SKELETON.match(bare))


def read(opened: Opened) -> tuple[Shot, ...]:
    """Read a motion with its skeleton, or a skeleton alone.

    Parameters
    ----------
    opened
        The motion, and in ``skeleton`` its skeleton file; or a skeleton file.

    Returns
    -------
    tuple of one Shot
        Made of channels: the motion's numbers, in degrees.

    Raises
    ------
    InputError
        Where the skeleton is missing, or one is given for a skeleton.
    FormatError
        Where a file breaks the format's rules.
    """
    data, path = opened.data, opened.path
    if _SKELETON.match(data.removeprefix(BYTE_ORDER_MARK)):
        return (_at_rest(opened),)
    if opened.skeleton is None:
        raise InputError(
            "is a motion without its skeleton",
            path=path,
            hint="Give the .asf file that belongs to it with --skeleton",
        )
    file = read_skeleton(opened.skeleton.data, opened.skeleton.path)
    motion = read_motion(data, path, file)
    skeleton = skeleton_of(file)
    return (
        Shot(
            skeleton=skeleton,
            times_s=(motion.numbers - motion.numbers[0]) / FRAMES_PER_SECOND,
            source=opened.source("acclaim"),
            channels=channels_of(file, motion, skeleton, path),
            origin=Pair(opened.skeleton.data, data, file, motion.values, motion.degrees),
        ),
    )


def _at_rest(opened: Opened) -> Shot:
    """Return the shot of one frame that a skeleton alone is."""
    if opened.skeleton is not None:
        raise InputError(
            "is itself a skeleton",
            path=opened.path,
            hint="Give the motion (.amc) as the shot, and this file with --skeleton",
        )
    file = read_skeleton(opened.data, opened.path)
    skeleton = skeleton_of(file)
    none = np.full((len(skeleton), 3), -1, dtype=np.int64)
    none_at_all = frozen_array(np.zeros((1, 0)), "values", (1, 0))
    return Shot(
        skeleton=skeleton,
        times_s=np.zeros(1),
        source=opened.source("acclaim"),
        channels=Channels(none_at_all, none, none),
        origin=Pair(opened.data, None, file, none_at_all, file.degrees),
    )


def write(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Write a shot as a pair of files.

    Parameters
    ----------
    shots
        One shot: as it was read, or with joints turned since; or of another origin.
    name
        Name of the motion file. The skeleton gets the same name with ``.asf``. Of a skeleton without motion
        only the skeleton is written, under the name as given.

    Returns
    -------
    dict
        Bytes by file name. A pair that was read stays byte for byte as it was but for joints whose axes have
        been turned: their ``axis``, ``dof`` and ``limits`` (for the root ``orientation`` and ``order``), and
        their lines in the motion.

    Raises
    ------
    UsageError
        Where there are several shots, or the pair cannot hold the shot.
    """
    shot = only_one(shots, "an Acclaim motion")
    if isinstance(shot.origin, Pair) and shot.origin.fits(shot):
        skeleton, motion = patched(shot, shot.origin)
        if motion is None:
            return {name: skeleton}
    else:
        skeleton, motion = fresh(shot)
    beside = str(PurePath(name).with_suffix(".asf"))
    if beside == name:
        return {name: skeleton, str(PurePath(name).with_suffix(".amc")): motion}
    return {name: motion, beside: skeleton}


_SKELETON_SAMPLE = b"""# A mast with a boom, invented
:version 1.10
:name crane
:units
  mass 1.0
  length 1.0
  angle deg
:root
  order TX TY TZ RX RY RZ
  axis XYZ
  position 0 0 0
  orientation 0 0 0
:bonedata
  begin
    id 1
    name mast
    direction 0 1 0
    length 2.5
    axis 0 0 0 XYZ
    dof rx ry rz
    limits (-20.0 45.0)
           (-30.0 30.0)
           (-inf inf)
  end
  begin
    id 2
    name boom
    direction 1 0 0
    length 1.5
    axis 0 0 -90 XYZ
    dof rx
    limits (-10.0 170.0)
  end
:hierarchy
  begin
    root mast
    mast boom
  end
"""

_MOTION_SAMPLE = b"""# Invented
:FULLY-SPECIFIED
:DEGREES
1
root 0 1 0 0 5 0
mast 1.5 -2.5 0.25
boom 30
2
root 0.1 1 0 0 5.5 0
mast 2.5 -2.25 0.5
boom 35.5
"""


def sample() -> Opened:
    """Return a tiny valid pair: a root and two bones, two frames."""
    return Opened(_MOTION_SAMPLE, "sample.amc", Opened(_SKELETON_SAMPLE, "sample.asf"))


FORMAT = Format(
    name="acclaim",
    title="Captured motion as text, with its skeleton in a file of its own (--skeleton)",
    suffixes=(".amc", ".asf"),
    recognises=recognises,
    read=read,
    sample=sample,
    write=write,
)
