"""Writing a pair back: the text that was read, changed where joints have been turned and nowhere else."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from audit.formats.acclaim._motion import BLANKS, Array, is_frame_number, words_in
from audit.formats.acclaim._pose import column_table
from audit.formats.acclaim._skeleton import LENGTH, MOVES, ROOT, TURNS, Place, SkeletonFile
from audit.formats.acclaim._text import BYTE_ORDER_MARK, text_of
from audit.model import Shot
from audit.rotations import (
    angles_from_quaternion,
    conjugate,
    continuous_angles,
    multiply,
    quaternion_from_angles,
    rotate,
)

TURNED = 1e-12
"""A turn below this counts as none: it is what rounding leaves."""

ALONG_AN_AXIS = 1e-9
"""How far the one axis of a joint may be from a new principal axis and still be that axis."""

_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


@dataclass(frozen=True, eq=False)
class Pair:
    """The two files that a shot was read from: what its ``origin`` holds.

    Attributes
    ----------
    skeleton_data, motion_data
        The bytes of the files; no motion where a skeleton was read alone.
    file
        What the skeleton file says.
    numbers : (F, C)
        The numbers of the motion as they stand in it.
    degrees
        Whether angles in the motion are degrees.
    """

    skeleton_data: bytes
    motion_data: bytes | None
    file: SkeletonFile
    numbers: Array
    degrees: bool

    def fits(self, shot: Shot) -> bool:
        """Tell whether a shot still has the joints and frames of the files."""
        return shot.skeleton.names == tuple(bone.name for bone in self.file.bones) and (
            self.motion_data is None or shot.frames == len(self.numbers)
        )


@dataclass(frozen=True, slots=True)
class _Change:
    """What becomes of one joint: its new axes in the unit of the file, its freedoms, limits and numbers."""

    joint: int
    freedoms: tuple[str, ...]
    axis: tuple[float, ...]
    limits: tuple[tuple[float, float], ...]
    numbers: Array


def patched(shot: Shot, pair: Pair) -> tuple[bytes, bytes | None]:
    """Return the skeleton and the motion file of a shot.

    Parameters
    ----------
    shot
        As it was read from the pair, or with joints turned since.
    pair
        The files that it was read from.

    Returns
    -------
    (bytes, bytes or None)
        Byte for byte what was read but for turned joints: their ``axis``, ``dof`` and ``limits`` (for the root
        ``orientation`` and ``order``), and their lines in the motion.
    """
    changes = _changes(shot, pair)
    if not changes:
        return pair.skeleton_data, pair.motion_data
    skeleton = _new_skeleton(changes, pair)
    return skeleton, None if pair.motion_data is None else _new_motion(changes, pair)


def _changes(shot: Shot, pair: Pair) -> list[_Change]:
    """Return what has changed since the shot was read."""
    skeleton, file = shot.skeleton, pair.file
    axes = np.array(skeleton.rest_xyzw.T)
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            axes[:, joint] = multiply(axes[:, parent], axes[:, joint])
    identity = np.array([0.0, 0.0, 0.0, 1.0])
    columns = column_table(file)
    changes = []
    for joint, bone in enumerate(file.bones):
        turn = identity if shot.turned is None else shot.turned[joint]
        order = skeleton.orders[joint] or bone.order
        turned = bool(np.max(np.abs(turn[:3])) > TURNED)
        reordered = order != bone.order and sum(each in TURNS for each in bone.freedoms) > 1
        if not turned and not reordered:
            continue
        turns, sign = _turns(bone.freedoms, turn, order)
        moves = tuple(each for each in bone.freedoms if each in MOVES)
        if moves and turned and joint > 0:
            moves = MOVES
        freedoms = (*moves, *turns, *(each for each in bone.freedoms if each == LENGTH))
        numbers: dict[str, Array] = {}
        if pair.motion_data is not None:
            numbers = _moves(pair, columns[joint], turn if joint > 0 else identity)
            numbers |= _angles(shot, joint, turns, order)
            if LENGTH in freedoms:
                numbers[LENGTH] = pair.numbers[:, columns[joint, 6]]
            if not pair.degrees:
                numbers |= {each: np.deg2rad(numbers[each]) for each in turns}
        angles = angles_from_quaternion(axes[:, joint], bone.axis_order[::-1])[::-1]
        changes.append(
            _Change(
                joint,
                freedoms,
                tuple((np.rad2deg(angles) if file.degrees else angles).tolist()),
                _limits(bone.freedoms, bone.limits, freedoms, sign, turned=turned),
                np.stack([numbers[each] for each in freedoms], axis=1)
                if freedoms and numbers
                else np.zeros((len(pair.numbers), 0)),
            )
        )
    return changes


def _turns(freedoms: tuple[str, ...], turn: Array, order: str) -> tuple[tuple[str, ...], int]:
    """Return the rotations of a turned joint in the order in which they apply, and the sign of a single one.

    It depends on the joint alone and not on its motion, so that all shots of a rig get one skeleton file. A
    joint that turned about one axis only keeps one where that is a principal axis again; any other needs all
    three, and a joint that did not turn still does not.
    """
    present = [TURNS.index(each) for each in freedoms if each in TURNS]
    if not present:
        return (), 1
    if len(present) == 1:
        axis = np.eye(3)[present[0]]
        seen = rotate(conjugate(turn), axis)
        nearest = int(np.argmax(np.abs(seen)))
        if np.max(np.abs(np.delete(seen, nearest))) < ALONG_AN_AXIS:
            return (TURNS[nearest],), 1 if seen[nearest] > 0.0 else -1
    return tuple(f"r{letter.lower()}" for letter in order[::-1]), 0


def _limits(
    before: tuple[str, ...],
    limits: tuple[tuple[float, float], ...] | None,
    after: tuple[str, ...],
    sign: int,
    *,
    turned: bool,
) -> tuple[tuple[float, float], ...]:
    """Return the limits of a changed joint.

    Limits are stated about the axes that the joint had. Those of a single axis go with it; of several, none can
    be stated about the new ones, so that they become infinite.
    """
    if limits is None:
        return ()
    known = dict(zip(before, limits, strict=True))
    single = [known[each] for each in before if each in TURNS]
    result = []
    for freedom in after:
        pair = known.get(freedom, (-math.inf, math.inf))
        if freedom in TURNS and turned:
            pair = (-math.inf, math.inf)
            if sign and len(single) == 1:
                low, high = single[0]
                pair = (low, high) if sign > 0 else (-high, -low)
        elif freedom in MOVES and turned:
            pair = (-math.inf, math.inf)
        result.append(pair)
    return tuple(result)


def _moves(pair: Pair, columns: np.ndarray, turn: Array) -> dict[str, Array]:
    """Return the translations of a joint in its new axes, by their names."""
    if np.all(columns[:3] < 0):
        return {}
    before = np.stack(
        [
            pair.numbers[:, column] if column >= 0 else np.zeros(len(pair.numbers))
            for column in columns[:3]
        ]
    )
    after = rotate(conjugate(turn)[:, None], before)
    return dict(zip(MOVES, after, strict=True))


def _angles(shot: Shot, joint: int, turns: tuple[str, ...], order: str) -> dict[str, Array]:
    """Return the rotations of a joint away from its rest in degrees, by their names."""
    if not turns:
        return {}
    curves: dict[str, Array] = {}
    if shot.channels is not None:
        columns = shot.channels.rotation_columns[joint]
        curves = {
            turn: shot.channels.values[:, column] if column >= 0 else np.zeros(shot.frames)
            for turn, column in zip(TURNS, columns, strict=True)
        }
    if len(turns) == 1:
        others = [np.max(np.abs(each)) for turn, each in curves.items() if turn != turns[0]]
        if others and max(others) < ALONG_AN_AXIS:
            return curves
        # Taken apart into three curves, a hinge past 90° would be half turns on two of them.
        axis = TURNS.index(turns[0])
        away = _away_from_rest(shot, joint)
        angle = np.rad2deg(2.0 * np.unwrap(np.arctan2(away[axis], away[3]), period=np.pi))
        return {turns[0]: angle - 360.0 * np.round(angle[0] / 360.0)}
    if curves:
        return curves
    angles = continuous_angles(angles_from_quaternion(_away_from_rest(shot, joint), order))
    return {
        f"r{letter.lower()}": each for letter, each in zip(order, np.rad2deg(angles), strict=True)
    }


def _away_from_rest(shot: Shot, joint: int) -> Array:
    """Return a joint's rotation away from its rest (4, F), in its own axes."""
    if shot.channels is not None:
        order = shot.skeleton.orders[joint] or "ZYX"
        return quaternion_from_angles(shot.channels.angles_rad([joint], order)[:, 0], order)
    rest = shot.skeleton.rest_xyzw[joint][:, None]
    return multiply(conjugate(rest), shot.rotations_xyzw[:, joint].T)


def _new_skeleton(changes: list[_Change], pair: Pair) -> bytes:
    """Return the skeleton file with what has changed."""
    edits: list[tuple[Place, str]] = []
    new_line = "\r\n" if b"\r\n" in pair.skeleton_data else "\n"
    for change in changes:
        bone = pair.file.bones[change.joint]
        if bone.axis_place is not None:
            edits.append((bone.axis_place, " ".join(map(repr, change.axis))))
        if bone.freedoms_place is not None and change.freedoms:
            names = " ".join(change.freedoms)
            edits.append((bone.freedoms_place, names.upper() if bone.name == ROOT else names))
        if bone.limits_place is not None and change.limits:
            gap = f"{new_line}           "
            edits.append(
                (
                    bone.limits_place,
                    " " + gap.join(f"({low!r} {high!r})" for low, high in change.limits),
                )
            )
    text = text_of(pair.skeleton_data)
    for place, new in sorted(edits, key=lambda edit: edit[0].start, reverse=True):
        text = text[: place.start] + new + text[place.end :]
    return text.encode("latin-1")


def _new_motion(changes: list[_Change], pair: Pair) -> bytes:
    """Return the motion file with the lines of the joints that have changed."""
    data = pair.motion_data or b""
    mark = BYTE_ORDER_MARK if data.startswith(BYTE_ORDER_MARK) else b""
    rows: dict[str, list[str]] = {}
    for change in changes:
        if change.freedoms:
            numbers = [" ".join(map(repr, row)) for row in change.numbers.tolist()]
            name = pair.file.bones[change.joint].name
            for spelled in {name, name.encode("utf-8").decode("latin-1")}:
                rows[spelled] = numbers
    frame = -1
    written = []
    for line in _LINE.findall(text_of(data[len(mark) :])):
        words = words_in(line.partition("#")[0].translate(BLANKS))
        if is_frame_number(words):
            frame += 1
        elif words and words[0] in rows and frame >= 0:
            start = line.index(words[0])
            ending = line[len(line.rstrip("\r\n")) :]
            written.append(f"{line[:start]}{words[0]} {rows[words[0]][frame]}{ending}")
            continue
        written.append(line)
    return mark + "".join(written).encode("latin-1")
