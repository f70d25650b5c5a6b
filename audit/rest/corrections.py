"""The turns of axes that mend a rest pose, without moving anything."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.measures.offsets import aim_error
from audit.model import Skeleton
from audit.rest.bends import LEAST_BEND_DEG
from audit.rest.blame import TURN_LIMIT_DEG, blamed_side
from audit.rest.carried import nearest_axis
from audit.rest.measures import RestMeasures
from audit.rest.mirror import reflection, turn_vectors
from audit.rest.trunk import twist_between
from audit.rotations import matrix_from_quaternion, quaternion_between

Array = npt.NDArray[np.float64]

AIM_LIMIT_DEG = 0.5
PLANE_LIMIT_DEG = 2.0
TWIST_LIMIT_DEG = 0.05
"""The usual limits of the checks whose findings are mended."""


def axis_corrections(
    skeleton: Skeleton,
    rest: RestMeasures,
    *,
    aim_deg: float = AIM_LIMIT_DEG,
    plane_deg: float = PLANE_LIMIT_DEG,
    twist_deg: float = TWIST_LIMIT_DEG,
    mirror_deg: float = TURN_LIMIT_DEG,
) -> tuple[Array, tuple[str | None, ...]]:
    """Return the new axes of each joint that mend its rest pose, and why.

    First the smallest turn that brings the nearest principal axis onto the limb, then the turn about the limb
    that brings the nearest cross axis onto the normal of the rest bend, or in the middle of the rig onto that
    of the mirror plane. Last, of a pair that is still not mirrored, the partner to blame gets the mirrored axes
    of the other. Roots are left alone: their axes are the world's business. So are rigs without rest rotations,
    and limbs that are turned as a whole: there the pose is to be mended, not the axes.

    Parameters
    ----------
    skeleton, rest
        The joints and what is measured on them.
    aim_deg, plane_deg, twist_deg, mirror_deg
        Limits of ``rest-aim``, ``rest-bend-plane``, ``rest-midline-twist`` and the axes of ``rest-mirror``.

    Returns
    -------
    axes : (J, 4)
        Quaternion of the new axes ``A`` in the joint's present ones, as everywhere: ``W' = W A``. The identity
        where nothing is to be done. Places stay.
    reasons
        Names of the checks that ask for it, with commas between; None where nothing is to be done.
    """
    count = len(skeleton)
    old, new = rest.world.axes, rest.world.axes.copy()
    reasons: list[list[str]] = [[] for _ in range(count)]
    if rest.has_axes:
        own = skeleton.parents >= 0
        single = own & ~rest.limbs.branching & (rest.limbs.child >= 0)
        _aim(rest, new, reasons, single & (rest.limbs.aim_deg > aim_deg))
        _bend(rest, new, reasons, own, plane_deg)
        twist = np.nan_to_num(rest.trunk.twist_own_deg)
        _untwist(rest, new, reasons, own & (np.abs(twist) > twist_deg))
        _mirror(skeleton, rest, new, reasons, mirror_deg)
    turns = Rotation.from_matrix(np.einsum("jba,jbc->jac", old, new)).as_quat(canonical=True)
    idle = np.array([not each for each in reasons])
    turns[idle] = [0.0, 0.0, 0.0, 1.0]
    return turns, tuple(", ".join(each) if each else None for each in reasons)


def _aim(
    rest: RestMeasures, axes: Array, reasons: list[list[str]], rows: npt.NDArray[np.bool_]
) -> None:
    joints = np.flatnonzero(rows)
    limb = rest.limbs.aim_limb[joints]
    _, half_axis = aim_error(np.einsum("jba,jb->aj", axes[joints], limb))
    start = np.einsum("jab,bj->aj", axes[joints], half_axis)
    turns = matrix_from_quaternion(quaternion_between(start, limb.T))
    axes[joints] = np.einsum("abj,jbc->jac", turns, axes[joints])
    for joint in joints:
        reasons[joint].append("rest-aim")


def _bend(
    rest: RestMeasures,
    axes: Array,
    reasons: list[list[str]],
    own: npt.NDArray[np.bool_],
    limit: float,
) -> None:
    bends = rest.bends
    asked = own & (bends.named != 0) & (bends.bend_deg >= LEAST_BEND_DEG)
    joints = np.flatnonzero(asked)
    limb = rest.limbs.limb[joints]
    across = _cross_axes(axes[joints], limb, bends.normal[joints])
    turn = twist_between(across, bends.normal[joints], limb)
    # Aimed axes come to the normal exactly; those that were not at fault are left as they are.
    wanted = (np.abs(turn) > limit) | (np.abs(np.nan_to_num(bends.plane_deg[joints])) > limit)
    joints, limb, turn = joints[wanted], limb[wanted], turn[wanted]
    turns = Rotation.from_rotvec(np.deg2rad(turn)[:, None] * limb).as_matrix()
    axes[joints] = turns @ axes[joints]
    for joint in joints:
        reasons[joint].append("rest-bend-plane")


def _cross_axes(axes: Array, limb: Array, wanted: Array) -> Array:
    """Return of each frame (N, 3, 3) the half-axis (N, 3) across the limb that is nearest to a direction."""
    along = np.argmax(np.abs(np.einsum("jba,jb->ja", axes, limb)), axis=1)
    fit = np.einsum("jba,jb->ja", axes, wanted)
    fit[np.arange(len(fit)), along] = 0.0
    column = np.argmax(np.abs(fit), axis=1)
    rows = np.arange(len(fit))
    return np.asarray(axes[rows, :, column] * np.sign(fit[rows, column])[:, None])


def _untwist(
    rest: RestMeasures, axes: Array, reasons: list[list[str]], rows: npt.NDArray[np.bool_]
) -> None:
    joints = np.flatnonzero(rows)
    if not len(joints):
        return
    limb = rest.trunk.limb[joints]
    normals = np.tile(rest.pairs.normal, (len(joints), 1))
    turn = twist_between(nearest_axis(axes[joints], rest.pairs.normal), normals, limb)
    turns = Rotation.from_rotvec(np.deg2rad(turn)[:, None] * limb).as_matrix()
    axes[joints] = turns @ axes[joints]
    for joint in joints:
        reasons[joint].append("rest-midline-twist")


def _mirror(
    skeleton: Skeleton, rest: RestMeasures, axes: Array, reasons: list[list[str]], limit: float
) -> None:
    mirror = rest.mirror
    if mirror is None:
        return
    flip = reflection(rest.pairs.normal)
    own = np.rad2deg(np.linalg.norm(mirror.turn_own, axis=1))
    for row in np.flatnonzero((own > limit) & ~mirror.carries):
        left, right = int(mirror.left[row]), int(mirror.right[row])
        images = flip @ axes[left] @ mirror.usual.T, flip @ axes[right] @ mirror.usual
        apart = np.rad2deg(np.linalg.norm(turn_vectors((images[0].T @ axes[right])[None])))
        if apart <= limit:
            continue  # mended already, by what was done to one of them
        blamed = blamed_side(skeleton, rest, left)
        axes[blamed] = images[0] if blamed == right else images[1]
        reasons[blamed].append("rest-mirror")
