"""Pairs of Acclaim files made in code, a second way to pose them, and joints turned as a correction does."""

from __future__ import annotations

from dataclasses import replace
from math import cos, sin

import numpy as np
import numpy.typing as npt

from audit.formats import acclaim
from audit.model import Channels, Shot, Skeleton
from audit.model.kinematics import world_transforms
from audit.plugins import Opened
from audit.rotations import (
    angles_from_quaternion,
    conjugate,
    continuous_angles,
    multiply,
    quaternion_from_rotation_vector,
    rotate,
)

Array = npt.NDArray[np.float64]

SKELETON = b"""# An invented crane\r
:version 1.10\r
:name crane\r
:units\r
  mass 1.0\r
  length 2.0\r
  angle deg\r
:documentation\r
   Free text, even begin and (end).\r
:root\r
   order TX TY TZ RX RY RZ\r
   axis XYZ\r
   position 0.5 1 -0.25\r
   orientation 10 20 -30\r
:bonedata\r
  begin\r
     id 1\r
     name slewing\r
     direction 0.6 0.8 0.0\r
     length 2.5\r
     axis 0 0 0 XYZ\r
  end\r
  begin\r
     id 2\r
     bodymass 12.5\r
     name mast\r
     direction 0 1 0\r
     length 3\r
     axis 5 0 20 XYZ\r
    dof rx ry rz\r
    limits (-160.0 20.0)\r
           (-70.0 70.0)\r
           (-inf inf)\r
  end\r
  begin\r
     id 3\r
     name boom\r
     direction 0.28 -0.96 0\r
     length 1.5\r
     axis 15 -10 25 XYZ\r
    dof rx\r
    limits (-10.0 170.0)  # a hinge\r
  end\r
  begin\r
     id 4\r
     name hook\r
     direction 0 -1 0\r
     length 0.5\r
     axis 0 90 0 XYZ\r
    dof rz rx\r
    limits (-45, 90) (-20, 70)\r
  end\r
  begin\r
     id 5\r
     name cab\r
     direction 1 0 0\r
     length 1\r
     axis 0 0 0 XYZ\r
  end\r
:hierarchy\r
  begin\r
    root slewing\r
    slewing mast cab\r
    mast boom\r
    boom hook\r
  end\r
:skin crane.skin\r
"""

MOTION = b"""#!invented\r
:FULLY-SPECIFIED\r
:DEGREES\r
1\r
root 1 2 3 10 -20 30\r
mast 5 -6 7.5\r
boom 40.25 # here\r
hook 12 -3e0\r
2\r
root 1.5 2 3.25 11 -21 32\r
boom 44\r
mast 6 -5 8\r
hook 13 -4.5\r
3\r
root 2 2.25 3 12 -22 33\r
mast 7 -4 8.5\r
boom 51.5\r
hook 14 -6\r
"""


def opened(motion: bytes = MOTION, skeleton: bytes = SKELETON) -> Opened:
    """Return a pair as it is handed to the format."""
    return Opened(motion, "takes/crane.amc", Opened(skeleton, "takes/crane.asf"))


def shot_of(motion: bytes = MOTION, skeleton: bytes = SKELETON) -> Shot:
    """Return the one shot of a pair."""
    (shot,) = acclaim.read(opened(motion, skeleton))
    return shot


def written(shot: Shot) -> tuple[bytes, bytes]:
    """Return motion and skeleton as they are written."""
    files = acclaim.write([shot], "out/again.amc")
    assert list(files) == ["out/again.amc", "out/again.asf"]
    return files["out/again.amc"], files["out/again.asf"]


def again(shot: Shot) -> Shot:
    """Return a shot written and read."""
    motion, skeleton = written(shot)
    return shot_of(motion, skeleton)


def world(shot: Shot) -> tuple[Array, Array]:
    """Return world rotations (4, J, F) and positions (3, J, F)."""
    return world_transforms(
        shot.skeleton,
        np.ascontiguousarray(shot.rotations_xyzw.T),
        np.ascontiguousarray(shot.local_positions.T),
    )[:2]


def one_axis(axis: str, degrees: float) -> Array:
    """Return the matrix (3, 3) of a right-handed turn about a principal axis, for columns."""
    c, s = cos(np.deg2rad(degrees)), sin(np.deg2rad(degrees))
    return {
        "x": np.array([[1, 0, 0], [0, c, -s], [0, s, c]]),
        "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
        "z": np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]),
    }[axis.lower()]


def one_after_the_other(axes: str, degrees: list[float]) -> Array:
    """Return the matrix of turns about fixed axes, the first letter first."""
    result = np.eye(3)
    for axis, angle in zip(axes, degrees, strict=True):
        result = one_axis(axis, angle) @ result
    return result


def turn_about(axis: npt.ArrayLike, degrees: float) -> Array:
    """Return the quaternion (4,) of a turn about any axis."""
    unit = np.asarray(axis, dtype=float) / np.linalg.norm(np.asarray(axis, dtype=float))
    return quaternion_from_rotation_vector(unit * np.deg2rad(degrees))


def turned(
    shot: Shot,
    turns: dict[str, Array],
    *,
    channels: bool = False,
    orders: dict[str, str] | None = None,
) -> Shot:
    """Return a shot with the axes of some joints turned: nothing moves in the world.

    Written from the definition (W' = W A, so R' = A_p⁻¹ R A and what hangs below goes by A⁻¹), apart from the
    code that corrects shots.
    """
    old = shot.skeleton
    by = np.tile([[0.0], [0.0], [0.0], [1.0]], (1, len(old)))
    for name, turn in turns.items():
        by[:, old.names.index(name)] = turn
    above = np.where(old.parents >= 0, old.parents, 0)
    up = np.where(old.parents >= 0, by[:, above], np.array([[0.0], [0.0], [0.0], [1.0]]))
    stated = tuple((orders or {}).get(n, o) for n, o in zip(old.names, old.orders, strict=True))
    skeleton = Skeleton(
        names=old.names,
        parents=old.parents,
        offsets=rotate(conjugate(up), old.offsets.T).T,
        rest_xyzw=multiply(multiply(conjugate(up), old.rest_xyzw.T), by).T,
        orders=stated,
        tip_joints=old.tip_joints,
        tip_offsets=rotate(conjugate(by[:, old.tip_joints]), old.tip_offsets.T).T,
    )
    rotations = multiply(
        multiply(conjugate(up)[..., None], np.ascontiguousarray(shot.rotations_xyzw.T)),
        by[..., None],
    )
    positions = rotate(conjugate(up)[..., None], np.ascontiguousarray(shot.local_positions.T))
    before = by if shot.turned is None else multiply(shot.turned.T, by)
    changed = Shot(
        skeleton,
        shot.times_s,
        shot.source,
        rotations=rotations.T,
        positions=positions.T,
        turned=before.T,
        origin=shot.origin,
    )
    return as_channels(changed) if channels else changed


def as_channels(shot: Shot) -> Shot:
    """Return a shot of rotations as one of channels: three rotations and three positions a joint."""
    skeleton = shot.skeleton
    away = multiply(
        conjugate(skeleton.rest_xyzw.T)[..., None], np.ascontiguousarray(shot.rotations_xyzw.T)
    )
    values = np.zeros((shot.frames, 6 * len(skeleton)))
    columns = np.arange(6 * len(skeleton)).reshape(-1, 2, 3)
    for joint, order in enumerate(skeleton.orders):
        angles = np.rad2deg(
            continuous_angles(angles_from_quaternion(away[:, joint], order or "ZYX"))
        )
        for letter, angle in zip(order or "ZYX", angles, strict=True):
            values[:, columns[joint, 0, "XYZ".index(letter)]] = angle
        values[:, columns[joint, 1]] = shot.local_positions[:, joint]
    return replace(
        shot,
        rotations=None,
        positions=None,
        channels=Channels(values, columns[:, 0].copy(), columns[:, 1].copy()),
    )
