"""The wade: five rolling strides along a bend, head bobbing, hands combing the silt, eight seconds."""

from __future__ import annotations

import numpy as np

from audit.demo.motion import Motion, eased, ground_direction, leg_turns, turned, turns, wave
from audit.demo.rig import DEEPEST_FOLD, NECK_CANT
from audit.model.skeleton import Array
from audit.rotations import multiply

FRAMES = 240
STRIDES = 5
STRIDE_LENGTH = 104.0
FIRST_HEADING, HEADING_CHANGE = 160.0, 44.0
"""Degrees: the path bends to the left and passes 180° on the way."""

STANCE = 0.62
"""Share of a stride that a foot stays on the ground."""


def wade() -> Motion:
    """Return the wade on the clean rig."""
    time = np.arange(FRAMES) / FRAMES
    # Half-way through the left foot's stance the body stands over that foot, its left side up.
    over = wave(FRAMES, STRIDES, 180.0 * STANCE - 90.0)
    root = _beside(time, 7.0 * over)
    root[1] = 210.0 + 2.5 * wave(FRAMES, 2 * STRIDES, 60.0)
    pelvis = turns(
        FRAMES,
        x=5.0 + 3.4 * wave(FRAMES, STRIDES, 140.0) + 2.6 * wave(FRAMES, 2, 30.0),
        y=_heading(time) + 1.2 * wave(FRAMES, STRIDES),
        z=4.6 * over,
    )
    posed = multiply(
        multiply(turned(pelvis[1], "Y"), turned(pelvis[0], "X")), turned(pelvis[2], "Z")
    )
    curves = {"Pelvis": pelvis}
    for side, start in (("L", 0.0), ("R", 0.5)):
        curves |= _leg(side, STRIDES * time + start, posed, root)
        curves |= _arm(side, 360.0 * start)
    return Motion(curves | _spine_and_head() | _tail(), root)


def _heading(time: Array) -> Array:
    """Return the heading of the path in degrees at shares of the shot, also before and after it."""
    return FIRST_HEADING + HEADING_CHANGE * time


def _path(time: Array) -> Array:
    """Return the point (3, ...) of the path on the ground: an arc, walked at constant speed."""
    heading, start = np.deg2rad(_heading(time)), np.deg2rad(FIRST_HEADING)
    radius = STRIDES * STRIDE_LENGTH / np.deg2rad(HEADING_CHANGE)
    points: Array = radius * np.stack(
        [np.cos(start) - np.cos(heading), 0.0 * time, np.sin(heading) - np.sin(start)]
    )
    return points


def _beside(time: Array, sideways: Array | float) -> Array:
    """Return points (3, ...) on the ground to the left of the path, or to the right where negative."""
    heading = np.deg2rad(_heading(time))
    return _path(time) + sideways * np.stack([np.cos(heading), 0.0 * time, -np.sin(heading)])


def _leg(side: str, stride: Array, pelvis: Array, root: Array) -> dict[str, Array]:
    """Return one leg: each footprint lies where the body passes half-way through the foot's stance."""
    sign, late = (1.0, 0.0) if side == "L" else (-1.0, 0.5)
    share = stride - np.floor(stride)
    swing = eased(share, [(STANCE, 0.0), (1.0, 1.0)])
    middle = (np.floor(stride) + STANCE / 2 - late) / STRIDES
    nearly_next = middle + swing / STRIDES
    here, there = (_beside(each, sign * 17.0) for each in (middle, middle + 1.0 / STRIDES))
    toe_hinge = (1.0 - swing) * here + swing * there
    toe_hinge[1] = 3.0 + 32.0 * eased(share, [(STANCE, 0.0), (0.78, 1.0), (1.0, 0.0)])
    pitch = eased(share, [(0.0, 46.0), (STANCE, 4.0), (0.8, 26.0), (1.0, 46.0)])
    toe_pitch = eased(share, [(0.61, 90.0), (0.76, 50.0), (0.94, 90.0)])
    twist = sign * (6.0 * wave(FRAMES, STRIDES, 360.0 * late + 20.0) + 2.0 * wave(FRAMES, 3))
    lean = sign * 8.0 * wave(FRAMES, 2 * STRIDES, 45.0)
    direction = ground_direction(_heading(nearly_next), pitch, lean)
    curves = leg_turns(side, pelvis, root, toe_hinge, direction, twist)
    return curves | {f"{side}_Toe": turns(FRAMES, x=pitch - toe_pitch)}


def _arm(side: str, lag: float) -> dict[str, Array]:
    """Return one arm: it swings against its leg while the fingers comb, one after the other."""
    sign = 1.0 if side == "L" else -1.0
    curves = {
        f"{side}_Shoulder": turns(
            FRAMES,
            x=12.0 * wave(FRAMES, 3, lag),
            y=sign * (-24.0 + 17.0 * wave(FRAMES, STRIDES, lag + 180.0)),
            z=sign * (-58.0 + 9.0 * wave(FRAMES, 2 * STRIDES, lag)),
        ),
        f"{side}_Elbow": turns(
            FRAMES,
            y=-sign * (46.0 + 21.0 * wave(FRAMES, STRIDES, lag + 215.0) + 6.0 * wave(FRAMES, 2)),
        ),
        f"{side}_Wrist": turns(
            FRAMES,
            y=sign * 9.0 * wave(FRAMES, 3, lag + 60.0),
            z=sign * (12.0 + 16.0 * wave(FRAMES, STRIDES, lag + 250.0)),
        ),
    }
    for finger, joints, lag_of_finger in ((1, 2, 0.0), (2, 3, 35.0), (3, 2, 70.0)):
        for joint in range(1, joints + 1):
            comb = 0.5 + 0.5 * wave(FRAMES, STRIDES, lag + lag_of_finger + 25.0 * joint)
            reach = 40.0 + 8.0 * joint + 4.0 * finger
            curves[f"{side}_Finger{finger}_{joint}"] = turns(FRAMES, z=-sign * (9.0 + reach * comb))
    return curves


def _spine_and_head() -> dict[str, Array]:
    """Return the spine, the neck that folds once a stride, and the head that looks about."""
    fold = DEEPEST_FOLD - 27.0 * (1.0 - wave(FRAMES, STRIDES, 30.0))
    lean = -26.0 + 5.0 * wave(FRAMES, STRIDES, 100.0)
    return {
        "Spine1": turns(
            FRAMES,
            x=4.0 + 2.8 * wave(FRAMES, 2 * STRIDES, 10.0),
            y=3.6 * wave(FRAMES, STRIDES, 180.0),
            z=3.0 * wave(FRAMES, STRIDES, 270.0),
        ),
        "Chest": turns(
            FRAMES,
            x=-3.0 + 3.0 * wave(FRAMES, 3, 40.0),
            y=4.2 * wave(FRAMES, STRIDES, 195.0),
            z=2.6 * wave(FRAMES, STRIDES, 285.0),
        ),
        "Neck1": turns(
            FRAMES,
            x=lean,
            y=5.0 * wave(FRAMES, 2, 75.0),
            z=4.0 * wave(FRAMES, 3, 120.0),
        ),
        "Neck2": turns(FRAMES, x=fold, y=NECK_CANT),
        "Head": turns(
            FRAMES,
            x=14.0 - fold - lean,
            y=22.0 * wave(FRAMES, 2, 110.0),
            z=9.0 * wave(FRAMES, 3, 15.0),
        ),
        "Jaw": turns(FRAMES, x=7.0 + 4.0 * wave(FRAMES, 8) + 2.0 * wave(FRAMES, 3, 90.0)),
    }


def _tail() -> dict[str, Array]:
    """Return the tail: it sways at its root and ripples upwards along its hinges."""
    curves = {
        "Tail1": turns(
            FRAMES,
            x=6.0 + 7.0 * wave(FRAMES, 3, 30.0),
            y=13.0 * wave(FRAMES, STRIDES, 45.0),
            z=5.0 * wave(FRAMES, 4, 90.0),
        )
    }
    for number in (2, 3, 4):
        ripple = wave(FRAMES, STRIDES, 50.0 * number)
        curves[f"Tail{number}"] = turns(FRAMES, x=15.0 + (7.0 + number) * ripple)
    return curves
