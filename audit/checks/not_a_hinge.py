"""A joint whose name says hinge moves on two or three axes.

## What it finds

Knees, elbows, shins and forearms, toes, and the outer joints of fingers that move on more than one
axis.

## Why it matters

Either the motion bends a limb sideways, which shows on the mesh, or the joint carries something
that belongs to another one, such as the roll of a forearm.

## Formula

The kind of the joint: `two-axis` or `free`, from the shares of its motion on the three principal
axes. Names are read by common practice, no source: the forearm and the shin turn on one axis.

## Limit and its source

`range`: degrees that the joint must turn before its kind counts. Our choice, equal to the least
range for which an axis is suggested.

## What to do

Look at the frames. Where the motion is meant, leave it; a policy can say that the joint is no hinge
(`hinge = false` for its name).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.model.names import says_hinge
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.wording import degrees


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint that is named as a hinge and does not move as one."""
    for joint, name in enumerate(shot.skeleton.names):
        if measures.kind[joint] not in ("two-axis", "free") or not says_hinge(name):
            continue
        if measures.range_deg[joint] < limits["range"]:
            continue
        share = float(measures.shares[joint, 0])
        how = "on two axes" if measures.kind[joint] == "two-axis" else "freely"
        message = (
            f"The name {name} says hinge, but the joint moves {how}: only {share:.0%} of its motion is on "
            f"one axis, {degrees(float(measures.off_axis_deg[joint]))} (root mean square) is off it"
        )
        yield Finding("not-a-hinge", "look", message, share, measures.settings.hinge_share, joint)


def _examples() -> tuple[Shot, Shot]:
    clean = hinge_channels((1.0, 0.0, 0.0), bend())
    loose = clean.copy()
    loose[:, 2] += 30.0 * np.sin(np.linspace(0.0, 9.0, len(loose)))
    return limb_shot(clean), limb_shot(loose)


CHECK = Check(
    name="not-a-hinge",
    title="a joint named as a hinge moves freely",
    limits={"range": 5.0},
    run=run,
    examples=_examples,
)
