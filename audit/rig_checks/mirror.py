"""Left and right do not bend alike.

## What it finds

Pairs of hinges whose measured axes contradict each other once one side is mirrored, and pairs whose
hinge channels would turn opposite ways for the same positive value after the offsets.

## Why it matters

Poses are copied from one side to the other, and both sides are selected and turned together. Common
practice, no source: that works without sign changes only where both sides' axes are set up alike.

## Formula

The mirror plane and the pairs are found on the rest pose. A rotation axis is a pseudo-vector: the
mirror M carries it to `−M a`, in the world of the rest pose and from there into the other joint's
axes. The two sides contradict each other where Hotelling's T² with both covariances says so,
counted up over all pairs; where they do not, they share one answer. The sense is that of the hinge
channel after the offset.

## Limit and its source

`angle`: degrees between an axis and the mirrored one, our choice. A contradiction below it is no
reason to act.

## What to do

Where the axes contradict each other, look for the side whose limb was placed or bent by accident,
and set both up alike. Where only the sense differs, turn one side's axes by 180° about the limb:
the hinge stays on its channel. In a format without rest rotations both sides' axes are those of the
world, and the sense is what it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Shot
from audit.model.kinematics import world_rest
from audit.plugins import Finding, Rig, RigCheck
from audit.pool import bends_alike, hinge_channels
from audit.rig_checks._examples import arm_shot
from audit.wording import degrees


def run(rig: Rig, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each pair that does not bend alike."""
    if rig.mirrored is None:
        return
    names, mirrored = rig.skeleton.names, rig.mirrored
    sense = bends_alike(
        hinge_channels(rig.measures),
        world_rest(rig.skeleton),
        rig.pairs.partner,
        rig.pairs.normal,
    )
    for left in rig.pairs.left.tolist():
        right = int(rig.pairs.partner[left])
        apart = float(mirrored.apart_deg[left])
        if not np.isnan(apart) and not mirrored.agreed[left] and apart > limits["angle"]:
            yield Finding(
                "mirror",
                "look",
                f"{names[left]} and {names[right]} bend about axes that are {degrees(apart)} from mirror "
                "images of each other, more than the evidence leaves room for: each keeps its own offset",
                apart,
                limits["angle"],
                left,
            )
        if sense[left] < 0 and rig.has_rest_rotations:
            yield Finding(
                "mirror",
                "note",
                f"The same positive value bends {names[left]} and {names[right]} opposite ways: turn the axes "
                "of one of them by 180° more about the limb",
                None,
                None,
                left,
            )


def _examples() -> tuple[tuple[Shot, ...], tuple[Shot, ...]]:
    alike = tuple(arm_shot(number) for number in range(5))
    return alike, tuple(arm_shot(number, left_twist_deg=25.0) for number in range(5))


CHECK = RigCheck(
    name="mirror",
    title="left and right do not bend alike",
    limits={"angle": 2.0},
    run=run,
    examples=_examples,
)
