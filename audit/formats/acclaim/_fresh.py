"""Writing a shot of another origin as a new pair of files."""

from __future__ import annotations

import re

import numpy as np

from audit.conventions import AXES
from audit.errors import UsageError
from audit.formats.acclaim._motion import Array
from audit.formats.acclaim._skeleton import MOVES, ROOT, rotation_order
from audit.model import Shot, Skeleton
from audit.rotations import (
    angles_from_quaternion,
    conjugate,
    continuous_angles,
    multiply,
    rotate,
)

FRAMES_PER_SECOND = 120.0
"""The files hold no time. 120 poses a second is common practice for such files, no source."""

EVEN_TIMES = 1e-3
"""How far a frame may stand from its even time, in frames (our choice)."""

ORDER = "ZYX"
"""Rotation order for joints that state none: about fixed X, then Y, then Z, as most such files have it."""


def fresh(shot: Shot) -> tuple[bytes, bytes]:
    """Return a new skeleton and a new motion file of a shot.

    Parameters
    ----------
    shot
        One root, no scales, frames at 120 a second.

    Returns
    -------
    (bytes, bytes)
        UTF-8 text. The root is named ``root``. Where the children of a joint do not all start in one place,
        bones without freedoms lead to them, because a bone's children start where it ends.

    Raises
    ------
    UsageError
        Where the pair cannot hold the shot.
    """
    _check(shot)
    skeleton = shot.skeleton
    axes = np.array(skeleton.rest_xyzw.T)
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            axes[:, joint] = multiply(axes[:, parent], axes[:, joint])
    names = (ROOT, *skeleton.names[1:])
    angles = np.rad2deg(angles_from_quaternion(axes, "ZYX"))[::-1].T
    freedoms, numbers = [], []
    for joint in range(len(skeleton)):
        order = skeleton.orders[joint] or ORDER
        moves = _moves(shot, joint, axes)
        turns = _turns(shot, joint, order)
        freedoms.append((*moves, *turns))
        numbers.append(list((moves | turns).values()))
    bones, children = _bones(skeleton, names, axes)
    text = [
        ":version 1.10",
        ":units",
        "  mass 1.0",
        "  length 1.0",
        "  angle deg",
        ":root",
        f"  order {' '.join(freedoms[0]).upper()}",
        "  axis XYZ",
        f"  position {_row(skeleton.offsets[0])}",
        f"  orientation {_row(angles[0])}",
        ":bonedata",
    ]
    for number, (name, joint, end) in enumerate(bones, start=1):
        length = float(np.linalg.norm(end))
        own = freedoms[joint] if name == names[joint] else ()
        text += [
            "  begin",
            f"    id {number}",
            f"    name {name}",
            f"    direction {_row(end / length if length else np.array([0.0, 1.0, 0.0]))}",
            f"    length {length!r}",
            f"    axis {_row(angles[joint])} XYZ",
            *([f"    dof {' '.join(own)}"] if own else []),
            "  end",
        ]
    text += [":hierarchy", "  begin"]
    text += [f"    {' '.join([name, *below])}" for name, below in children.items() if below]
    text += ["  end"]
    motion = [":FULLY-SPECIFIED", ":DEGREES"]
    moving = [joint for joint in range(len(skeleton)) if freedoms[joint]]
    for frame in range(shot.frames):
        motion.append(str(frame + 1))
        motion += [
            f"{names[joint]} {_row(np.array([each[frame] for each in numbers[joint]]))}"
            for joint in moving
        ]
    return _encoded(text), _encoded(motion)


def _encoded(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode("utf-8")


def _row(values: Array) -> str:
    """Return numbers as text, each the shortest that reads back as the same double."""
    return " ".join(map(repr, (values + 0.0).tolist()))


def _check(shot: Shot) -> None:
    """Raise UsageError where the pair cannot hold the shot."""
    skeleton = shot.skeleton
    if np.sum(skeleton.parents < 0) != 1:
        raise UsageError(
            "an Acclaim skeleton has one root, but this one has several",
            hint="Write a format that holds several, or put one joint above them",
        )
    scaled = shot.tracks is not None and any(each is not None for each in shot.tracks.scales)
    if scaled or np.any(np.abs(skeleton.rest_scales - 1.0) > 1e-9):
        raise UsageError(
            "an Acclaim skeleton has no scales, but this shot has",
            hint="Write a format that has them",
        )
    steps = (shot.times_s - shot.times_s[0]) * FRAMES_PER_SECOND
    if np.max(np.abs(steps - np.arange(shot.frames))) > EVEN_TIMES:
        raise UsageError(
            "an Acclaim motion holds no times and is read at 120 frames a second, but this shot has others",
            hint="Resample the shot at 120 frames a second, or write a format that holds times",
        )
    names = (ROOT, *skeleton.names[1:])
    for place, name in enumerate(names):
        if name in names[:place]:
            raise UsageError(
                f"an Acclaim skeleton needs names that differ, but {name!r} is taken",
                hint="Rename one of the joints; the root is named root",
            )
        if not re.fullmatch(r"[^\0- ,()#:\ud800-\udfff][^\0- ,()#\ud800-\udfff]*", name) or (
            name.isdigit() or name.lower() in ("begin", "end")
        ):
            raise UsageError(
                f"an Acclaim skeleton cannot hold the joint name {name!r}",
                hint="Rename it: no white space, commas, parentheses or #, and no bare number",
            )


def _moves(shot: Shot, joint: int, axes: Array) -> dict[str, Array]:
    """Return the translations of a joint by their names, none where it stays at its offset."""
    skeleton = shot.skeleton
    moved = (shot.local_positions[:, joint] - skeleton.offsets[joint]).T
    if joint == 0:
        return dict(zip(MOVES, moved, strict=True))
    if not np.any(moved):
        return {}
    return dict(
        zip(MOVES, rotate(conjugate(skeleton.rest_xyzw[joint])[:, None], moved), strict=True)
    )


def _turns(shot: Shot, joint: int, order: str) -> dict[str, Array]:
    """Return the rotations of a joint in degrees by their names, in the order in which they apply."""
    letters = order[::-1]
    if shot.channels is not None:
        columns = shot.channels.rotation_columns[joint]
        present = "".join(letter for letter in letters if columns[AXES.index(letter)] >= 0)
        if not present:
            return {}
        if rotation_order(present, AXES) == order:
            letters = present
        return {
            f"r{letter.lower()}": shot.channels.values[:, column]
            if column >= 0
            else np.zeros(shot.frames)
            for letter in letters
            for column in [columns[AXES.index(letter)]]
        }
    rest = shot.skeleton.rest_xyzw[joint][:, None]
    away = multiply(conjugate(rest), shot.rotations_xyzw[:, joint].T)
    angles = np.rad2deg(continuous_angles(angles_from_quaternion(away, order)))
    return {f"r{letter.lower()}": angles[order.index(letter)] for letter in letters}


def _bones(
    skeleton: Skeleton, names: tuple[str, ...], axes: Array
) -> tuple[list[tuple[str, int, Array]], dict[str, list[str]]]:
    """Return the bones and who hangs on whom.

    Returns
    -------
    bones
        Name, joint whose axes it has, and where its end lies from its start in world axes (3,).
    children
        Names of the bones that hang on each one.
    """
    bones: list[tuple[str, int, Array]] = []
    children: dict[str, list[str]] = {name: [] for name in names}
    taken = set(names)
    for joint, name in enumerate(names):
        below = np.flatnonzero(skeleton.parents == joint).tolist()
        tips = skeleton.tip_offsets[skeleton.tip_joints == joint]
        places = [*skeleton.offsets[below], *tips]
        ends = list(dict.fromkeys(tuple(place) for place in np.reshape(places, (-1, 3)).tolist()))
        shared = len(ends) == 1 and joint > 0
        if joint > 0:
            end = rotate(axes[:, joint], np.array(ends[0])) if shared else np.zeros(3)
            bones.append((name, joint, end))
        if shared:
            children[name] += [names[child] for child in below]
            continue
        for place in ends:
            here = [names[c] for c in below if tuple(skeleton.offsets[c].tolist()) == place]
            if not any(place):
                children[name] += here
                continue
            link = f"{name}_to_{here[0] if here else 'end'}"
            while link in taken:
                link += "_"
            taken.add(link)
            bones.append((link, joint, rotate(axes[:, joint], np.array(place))))
            children[name].append(link)
            children[link] = here
    return bones, children
