"""Chains: neighbours along a limb whose side axes jump, and the fewest turns that make them agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.model import Skeleton
from audit.rotations import (
    conjugate,
    matrix_from_quaternion,
    multiply,
    quaternion_between,
    rotate,
)

Array = npt.NDArray[np.float64]

SAME_SIDE_DEG = 1.0
"""Side axes that are no further apart agree (our choice)."""

STRAIGHT_ON_DEG = 60.0
"""A chain goes on where the limb turns by no more than this (our choice): fingers do, feet do not."""


@dataclass(frozen=True, slots=True)
class ChainTwist:
    """One chain and what makes its side axes agree.

    Attributes
    ----------
    joints
        Places from the top down.
    side_deg
        For each joint the turn of its side axes about the limb, counted from the first one's, in degrees.
    twist_deg
        For each joint the turn about its limb that makes the chain agree; 0 for joints that stay.
    """

    joints: tuple[int, ...]
    side_deg: tuple[float, ...]
    twist_deg: tuple[float, ...]

    @property
    def jumps(self) -> bool:
        """Whether any joint would have to turn."""
        return any(self.twist_deg)


def chains(skeleton: Skeleton, limb: Array | None = None) -> tuple[tuple[int, ...], ...]:
    """Return runs of two joints or more that follow each other as only children, roughly straight on.

    Parameters
    ----------
    skeleton
        The rig.
    limb : (J, 3)
        Limb axes in the joints' own axes; the skeleton's where None.

    Returns
    -------
    tuple of tuples
        Places from the top down. The last joint of a chain may branch. A joint without a limb axis, or whose
        limb axis is another one of its own axes than its parent's, ends a chain: no turn about the limb
        brings those together.
    """
    limb = skeleton.limb_axes if limb is None else limb
    count = np.bincount(skeleton.parents[skeleton.parents >= 0], minlength=len(skeleton))
    inside = rotate(skeleton.rest_xyzw.T, np.nan_to_num(limb).T)  # seen by the parent
    follows = np.zeros(len(skeleton), dtype=bool)
    for joint, parent in enumerate(skeleton.parents):
        if parent < 0 or count[parent] != 1 or np.isnan(limb[[joint, parent], 0]).any():
            continue
        onward = np.sum(inside[:, joint] * limb[parent]) >= np.cos(np.deg2rad(STRAIGHT_ON_DEG))
        # Alike but for the limb's own small bends: the same principal half-axis is the nearest one.
        follows[joint] = onward and _nearest(limb[joint]) == _nearest(limb[parent])
    runs: list[list[int]] = []
    run_of: dict[int, list[int]] = {}
    for joint, parent in enumerate(skeleton.parents):
        if follows[joint]:
            run = run_of[int(parent)]
            run.append(joint)
        else:
            run = [joint]
            runs.append(run)
        run_of[joint] = run
    return tuple(tuple(run) for run in runs if len(run) > 1)


def chain_twist(skeleton: Skeleton, limb: Array | None = None) -> tuple[ChainTwist, ...]:
    """Return for every chain the smallest set of turns that makes its side axes agree.

    Parameters
    ----------
    skeleton, limb
        As for :func:`chains`.

    Returns
    -------
    tuple of ChainTwist
        Also of chains that agree already; those have no turns.

    Notes
    -----
    Side axes are compared in the rest pose, carried from joint to joint by the smallest rotation that brings
    one limb axis onto the next, so that a bend in the limb is no twist (parallel transport: R. L. Bishop,
    American Mathematical Monthly 82, 1975). The fewest joints turn; of equal sets the one with the least
    total angle is taken, and of those the one that leaves the uppermost joint alone.
    """
    limb = skeleton.limb_axes if limb is None else limb
    found = []
    for run in chains(skeleton, limb):
        side = np.zeros(len(run))
        for place in range(1, len(run)):
            side[place] = side[place - 1] + _step(skeleton, limb, run[place - 1], run[place])
        side = _wrapped(side)
        turns = _fewest_turns(side)
        found.append(
            ChainTwist(
                tuple(run),
                tuple(float(each) for each in np.rad2deg(side)),
                tuple(float(each) for each in np.rad2deg(turns)),
            )
        )
    return tuple(found)


def _nearest(direction: Array) -> tuple[int, bool]:
    """Return the nearest principal half-axis: which axis, and whether it points backwards."""
    axis = int(np.argmax(np.abs(direction)))
    return axis, bool(direction[axis] < 0.0)


def _step(skeleton: Skeleton, limb: Array, parent: int, joint: int) -> float:
    """Return the turn about the limb from the parent's side axes to the joint's, in radians."""
    rest = skeleton.rest_xyzw[joint]
    onward = rotate(rest, limb[joint])  # in the parent's axes
    carry = quaternion_between(limb[parent], onward)
    # Both frames with their own limb axis on one nearest half-axis, so that only a twist is left.
    axis, back = _nearest(limb[parent])
    half = np.eye(3)[axis] * (-1.0 if back else 1.0)
    above = multiply(carry, quaternion_between(half, limb[parent]))
    below = multiply(rest, quaternion_between(half, limb[joint]))
    frame = matrix_from_quaternion(multiply(conjugate(above), below))
    side, other = (axis + 1) % 3, (axis + 2) % 3
    turn = float(np.arctan2(frame[other, side], frame[side, side]))
    return -turn if back else turn


def _fewest_turns(side: Array) -> Array:
    """Return the turns (K,) in radians that bring all sides together, as few and then as small as can be."""
    turns = _wrapped(side[:, None] - side[None, :])  # candidate, joint
    turns = np.where(np.abs(turns) <= np.deg2rad(SAME_SIDE_DEG), 0.0, turns)
    count = np.count_nonzero(turns, axis=1)
    total = np.round(np.sum(np.abs(turns), axis=1), 9)
    best: Array = turns[np.lexsort((total, count))[0]]
    return best


def _wrapped(angle: Array) -> Array:
    """Return angles within half a turn."""
    result: Array = np.mod(angle + np.pi, 2.0 * np.pi) - np.pi
    return result
