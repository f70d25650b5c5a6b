"""Writing a shot as BVH text."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from audit.conventions import AXES, ORDER_WITHOUT_CHOICE, axis_indices
from audit.errors import UsageError
from audit.formats.bvh._header import completed_order
from audit.model import Channels, Shot, Skeleton
from audit.model.skeleton import Array
from audit.rotations import angles_from_quaternion, continuous_angles

DEEPEST_INDENT = 24
"""Levels that are indented; beyond it a chain of thousands of joints would be mostly white space."""

FRAME_TIME_OF_ONE_FRAME_S = 1.0 / 30.0
"""A shot of one frame has no time from frame to frame, but the format asks for one."""

EVEN_TIMES = 1e-3
"""How far a frame may stand from its even time, in frames; times kept as 32-bit numbers stray that far."""


def write(shot: Shot) -> bytes:
    """Write a shot as BVH.

    Parameters
    ----------
    shot
        Any shot without rest rotations. One made of channels is written with its own numbers, in its own
        layout where the joints stand depth first. One made of rotations gets three rotation channels a joint,
        in the joint's order (``ZXY`` where it states none), and position channels on the roots and on each
        joint that leaves its offset.

    Returns
    -------
    bytes
        UTF-8 text. Every number is the shortest decimal that reads back as the same double. Children follow
        their parent at once, so joints that stood otherwise change places. Times start at 0 s; the frame time
        of a single frame is written as 1/30 s.

    Raises
    ------
    UsageError
        Where BVH cannot hold the shot: rest rotations, uneven times, or a name with a brace or a line ending
        in it, or with white space at an end.
    """
    skeleton = shot.skeleton
    _check(skeleton)
    # Positions beside channels outrank what the channels say of them, so that the channels are made anew.
    given = shot.channels if shot.positions is None else None
    channels = given or _channels_from_rotations(shot)
    columns: list[int] = []
    lines = ["HIERARCHY"]
    for joint, depth, closing in _depth_first(skeleton):
        indent = "\t" * min(depth, DEEPEST_INDENT)
        if closing:
            lines.append(indent + "}")
            continue
        listed = _joint_channels(channels, joint, skeleton.orders[joint] or ORDER_WITHOUT_CHOICE)
        names = [name for name, _ in listed]
        columns += [column for _, column in listed]
        lines += [
            f"{indent}{'JOINT' if depth else 'ROOT'} {skeleton.names[joint]}",
            indent + "{",
            f"{indent}\tOFFSET {_row(skeleton.offsets[joint])}",
            f"{indent}\tCHANNELS {' '.join([str(len(names)), *names])}",
        ]
        for offset in skeleton.tip_offsets[skeleton.tip_joints == joint]:
            lines += [
                f"{indent}\tEnd Site",
                f"{indent}\t{{",
                f"{indent}\t\tOFFSET {_row(offset)}",
                f"{indent}\t}}",
            ]
    if not columns:
        raise UsageError(
            "BVH cannot hold a shot without channels",
            hint="Give at least one joint a rotation channel",
        )
    lines += ["MOTION", f"Frames: {shot.frames}", f"Frame Time: {_frame_time_s(shot.times_s)!r}"]
    # Column −1, a channel that the shot lacks but its order needs, is the column of zeros at the end.
    padded = np.hstack([channels.values, np.zeros((shot.frames, 1))])
    lines += map(_row, padded[:, columns])
    return ("\n".join(lines) + "\n").encode("utf-8")


def _row(values: Array) -> str:
    """Return numbers as text, each the shortest that reads back as the same double."""
    return " ".join(map(repr, values.tolist()))


def _check(skeleton: Skeleton) -> None:
    """Raise UsageError where BVH cannot hold the skeleton."""
    turned = np.abs(skeleton.rest_xyzw[:, :3]).max(axis=1, initial=0.0) > 1e-9
    if np.any(turned):
        name = skeleton.names[int(np.argmax(turned))]
        raise UsageError(
            f"BVH has no rest rotations, but joint {name!r} has one",
            hint="Write a format that has them, or align the rest frames with the world first",
        )
    for name in skeleton.names:
        if not re.fullmatch(r"[^{}\r\n\ud800-\udfff]+", name) or name != name.strip(" \t"):
            raise UsageError(
                f"BVH cannot hold the joint name {name!r}",
                hint="Rename it: braces, line endings and white space at either end do not survive",
            )


def _depth_first(skeleton: Skeleton) -> Iterator[tuple[int, int, bool]]:
    """Yield (joint, depth, closing): each joint once before and once after its children."""
    children: list[list[int]] = [[] for _ in range(len(skeleton) + 1)]
    for joint, parent in enumerate(skeleton.parents):
        children[parent].append(joint)  # roots go to the last list: their parent is −1
    waiting = [(root, 0, False) for root in reversed(children[-1])]
    while waiting:
        joint, depth, closing = waiting.pop()
        yield joint, depth, closing
        if not closing:
            waiting.append((joint, depth, True))
            waiting += [(child, depth + 1, False) for child in reversed(children[joint])]


def _joint_channels(channels: Channels, joint: int, order: str) -> list[tuple[str, int]]:
    """Return name and column of each channel of a joint, in the order in which they are written."""
    positions = [
        (f"{axis}position", int(column))
        for axis, column in zip(AXES, channels.position_columns[joint], strict=True)
        if column >= 0
    ]
    positions.sort(key=lambda channel: channel[1])
    columns = channels.rotation_columns[joint]
    rotations = [
        (f"{letter}rotation", int(columns[axis]))
        for letter, axis in zip(order, axis_indices(order), strict=True)
    ]
    present = [(name, column) for name, column in rotations if column >= 0]
    if completed_order("".join(name[0] for name, _ in present)) == order:
        # The channels the joint has are enough to say its order.
        rotations = present
    as_in_file = sorted(positions + rotations, key=lambda channel: channel[1])
    in_order = [channel for channel in as_in_file if channel in rotations] == rotations
    all_there = all(column >= 0 for _, column in rotations)
    return as_in_file if in_order and all_there else positions + rotations


def _channels_from_rotations(shot: Shot) -> Channels:
    """Return channels for a shot made of rotations: positions where a joint has any, then three rotations."""
    skeleton, joints = shot.skeleton, len(shot.skeleton)
    positions = shot.local_positions
    moving = (skeleton.parents < 0) | np.any(positions != skeleton.offsets, axis=(0, 2))
    blocks = [positions[:, moving].reshape(shot.frames, -1)]
    position_columns = np.full((joints, 3), -1, dtype=np.int64)
    position_columns[moving] = np.arange(blocks[0].shape[1]).reshape(-1, 3)
    rotation_columns = np.zeros((joints, 3), dtype=np.int64)
    for joint, order in enumerate(skeleton.orders):
        letters = order or ORDER_WITHOUT_CHOICE
        quaternion = shot.joint_rotations([joint])[:, 0]
        angles = continuous_angles(angles_from_quaternion(quaternion, letters))
        first = blocks[0].shape[1] + 3 * joint
        rotation_columns[joint, list(axis_indices(letters))] = (first, first + 1, first + 2)
        blocks.append(np.rad2deg(angles).T)
    return Channels(np.hstack(blocks), rotation_columns, position_columns)


def _frame_time_s(times_s: Array) -> float:
    """Return the seconds from frame to frame.

    Raises
    ------
    UsageError
        Where the times are uneven.
    """
    if len(times_s) == 1:
        return FRAME_TIME_OF_ONE_FRAME_S
    steps = np.arange(len(times_s))
    first_step = float(times_s[1])
    if np.array_equal(steps * first_step, times_s):
        return first_step
    mean_step = float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
    if np.max(np.abs(times_s - times_s[0] - steps * mean_step)) > EVEN_TIMES * mean_step:
        raise UsageError(
            "BVH has one frame time for all frames, but these frames are not evenly spaced in time",
            hint="Resample the shot at even times first",
        )
    return mean_step
