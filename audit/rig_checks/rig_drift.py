"""The rest frame of a joint is not the same in all shots of a rig.

## What it finds

Joints whose rest rotation, or rest position below the parent, differs from that in the first shot
by more than the limit in some shot.

## Why it matters

Shots on drifted axes do not fit each other: an offset that is right for one delivery is wrong for
another, by as much as the axes differ. Animation that is moved from one to the other comes out
turned. The drifted shots say nothing about this joint's offset here, since nobody knows which of
the axes is meant.

## Formula

The angle of `R0⁻¹ R0'` between the rest rotations in the parent's axes, and the distance between
the rest positions as a share of the rig's height. Always counted from the first shot, so that many
small steps do not pass unseen. The place of the root is where a shot begins, and is not looked at.
A format without rest rotations shows moves only.

## Limit and its source

`angle` in degrees, `move` as a share of the height: our choice. Files that round angles to two
decimals stay well below the first.

## What to do

Find out which delivery has the rig that was agreed on, and export the others again on it, before
any axes are turned.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Shot
from audit.plugins import Finding, Rig, RigCheck
from audit.pool.rig import SAME_FRAME_DEG, SAME_PLACE
from audit.rig_checks._examples import arm_shot
from audit.wording import degrees, plural


def run(rig: Rig, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint whose rest pose drifts."""
    drifted = rig.drift_shots > 0
    for joint in np.flatnonzero(drifted).tolist():
        angle, move = float(rig.drift_deg[joint]), float(rig.drift_move[joint])
        turned = angle > limits["angle"]
        if not turned and not move > limits["move"]:
            continue
        name, where = rig.skeleton.names[joint], rig.drift_label[joint]
        what = f"turned by {degrees(angle, 2)}" if turned else f"moved by {move:.2%} of the height"
        yield Finding(
            "rig-drift",
            "fix",
            f"The rest frame of {name} is {what} in {where} against the first shot, and differs in "
            f"{plural(int(rig.drift_shots[joint]), 'shot')} of {rig.shots}: agree on one rig and export the "
            "others on it again",
            angle if turned else move,
            limits["angle"] if turned else limits["move"],
            joint,
        )


def _examples() -> tuple[tuple[Shot, ...], tuple[Shot, ...]]:
    same = tuple(arm_shot(number) for number in range(3))
    return same, (*same, arm_shot(3, rest_deg=2.0))


CHECK = RigCheck(
    name="rig-drift",
    title="a rest frame differs between shots of one rig",
    limits={"angle": SAME_FRAME_DEG, "move": SAME_PLACE},
    run=run,
    examples=_examples,
)
