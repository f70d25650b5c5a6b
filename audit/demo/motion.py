"""What both motions of the demo are made of: waves, eased poses, and legs that reach for their footprints.

Angles here are degrees, as an animator reads them; a pose curve has shape (3, F): the turns about X, Y and Z
that the joint's rotation order puts together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.demo.rig import FOOT, HIP_DROP, HIP_WIDTH, SHANK, THIGH
from audit.model.skeleton import Array
from audit.rotations import conjugate, multiply, quaternion_from_angles, rotate


@dataclass(frozen=True, slots=True)
class Motion:
    """A motion of the clean rig.

    Attributes
    ----------
    turns : name to (3, F)
        Degrees about X, Y and Z; a joint that is not named stays at zero.
    root : (3, F)
        Position of the pelvis, centimetres.
    """

    turns: dict[str, Array]
    root: Array


def wave(frames: int, cycles: float, lag_deg: float = 0.0) -> Array:
    """Return a sine (F,) that runs through a number of cycles in a number of frames."""
    curve: Array = np.sin(2.0 * np.pi * cycles * np.arange(frames) / frames - np.deg2rad(lag_deg))
    return curve


def eased(at: Array, poses: Sequence[tuple[float, float]]) -> Array:
    """Return a curve that rests at each pose and eases from one to the next.

    Parameters
    ----------
    at : (F,)
        Where to read the curve: frames, or the share of a stride.
    poses
        Pairs (place, value) in increasing order of place; the curve is level outside them.

    Returns
    -------
    (F,)
        Between two poses the share ``s³ (10 − 15 s + 6 s²)``: the lowest polynomial that starts and ends
        with no speed and no acceleration.
    """
    places, values = np.array(poses).T
    before = np.clip(np.searchsorted(places, at, side="right") - 1, 0, len(places) - 2)
    share = np.clip((at - places[before]) / (places[before + 1] - places[before]), 0.0, 1.0)
    share = share**3 * (10.0 - 15.0 * share + 6.0 * share**2)
    result: Array = values[before] + (values[before + 1] - values[before]) * share
    return result


def turns(
    frames: int, x: Array | float = 0.0, y: Array | float = 0.0, z: Array | float = 0.0
) -> Array:
    """Return a pose curve (3, F) from curves or constants in degrees."""
    return np.stack(
        [np.broadcast_to(np.asarray(part, dtype=float), (frames,)) for part in (x, y, z)]
    )


def turned(angle_deg: Array | float, axis: str) -> Array:
    """Return the quaternions (4, ...) of a turn about one axis."""
    angle = np.deg2rad(np.asarray(angle_deg, dtype=float))
    rest = np.zeros_like(angle)
    return quaternion_from_angles(
        np.stack([rest, rest, angle]), {"X": "YZX", "Y": "ZXY", "Z": "XYZ"}[axis]
    )


def ground_direction(heading_deg: Array, pitch_deg: Array, lean_deg: Array) -> Array:
    """Return unit vectors (3, F): straight down at pitch 0, level and along the heading at pitch 90.

    The lean then tips them to the left of the heading, as a foot does that rolls over its edge.
    """
    heading, pitch, lean = np.deg2rad(heading_deg), np.deg2rad(pitch_deg), np.deg2rad(lean_deg)
    left, up, ahead = np.cos(pitch) * np.sin(lean), -np.cos(pitch) * np.cos(lean), np.sin(pitch)
    return np.stack(
        [
            left * np.cos(heading) + ahead * np.sin(heading),
            up,
            ahead * np.cos(heading) - left * np.sin(heading),
        ]
    )


def leg_turns(
    side: str,
    pelvis: Array,
    root: Array,
    toe_hinge: Array,
    foot_direction: Array,
    hip_twist_deg: Array,
) -> dict[str, Array]:
    """Return hip, knee and ankle of a leg that puts its toe hinge exactly where it should be.

    Parameters
    ----------
    side
        ``L`` or ``R``.
    pelvis : (4, F), root : (3, F)
        Rotation and position of the pelvis in the world.
    toe_hinge : (3, F)
        Where the toe hinge should be, in the world, within reach.
    foot_direction : (3, F)
        Unit vector from the ankle to the toe hinge, in the world.
    hip_twist_deg : (F,)
        Turn of the hip about the leg, which is free to choose: it swings the knee out and in.

    Returns
    -------
    dict of (3, F)
        Degrees. The knee turns about X alone; the ankle about X and then Z.

    Notes
    -----
    The knee follows from the distance between hip and ankle by the law of cosines. The hip, order XZY, then
    has two angles left to carry the bent leg onto the target: Z sets how far the ankle stands to the side (X
    leaves that alone), and X swings it the rest of the way.
    """
    hip = np.array([HIP_WIDTH if side == "L" else -HIP_WIDTH, HIP_DROP, 0.0])[:, None]
    target = rotate(conjugate(pelvis), toe_hinge - FOOT * foot_direction - root) - hip
    reach = np.sum(target * target, axis=0)
    knee = np.arccos((reach - THIGH**2 - SHANK**2) / (2.0 * THIGH * SHANK))

    bent = np.stack([0.0 * knee, -THIGH - SHANK * np.cos(knee), -SHANK * np.sin(knee)])
    twisted = rotate(turned(hip_twist_deg, "Y"), bent)
    out = np.arcsin(target[0] / np.hypot(twisted[0], twisted[1])) - np.arctan2(
        twisted[0], -twisted[1]
    )
    leaning = rotate(turned(np.rad2deg(out), "Z"), twisted)
    swing = np.arctan2(target[2], -target[1]) - np.arctan2(leaning[2], -leaning[1])

    # A turn about X carries −Y towards −Z, so the angles of (z, −y) run against it.
    angles = np.stack([-swing, out, np.deg2rad(hip_twist_deg)])
    shank = multiply(
        multiply(pelvis, quaternion_from_angles(angles, "XZY")), turned(np.rad2deg(knee), "X")
    )
    foot = rotate(conjugate(shank), foot_direction)
    return {
        f"{side}_Hip": np.rad2deg(angles[[0, 2, 1]]),
        f"{side}_Knee": turns(len(knee), x=np.rad2deg(knee)),
        f"{side}_Ankle": turns(
            len(knee),
            x=np.rad2deg(np.arctan2(-foot[2], -foot[1])),
            z=np.rad2deg(np.arcsin(foot[0])),
        ),
    }
