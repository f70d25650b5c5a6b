"""A joint of the spine, neck, head or tail is off the mirror plane.

## What it finds

Joints on no side that are not on the mirror plane, and by how much. A joint that is only carried along by
its parent is not named.

## Why it matters

Common practice, no source: the spine is straight from the front. A joint nudged off the plane turns the
axes of its limb and of the one above it; what it leaves behind on all joints is a twist that nobody sees
and everybody keys.

## Formula

The distance from the mirror plane, divided by the height, positive towards the left. The plane is found
from the pairs: its normal is the median direction between partners, its distance the median of their
middles, so that a few broken pairs do not move it.

## Limit and its source

`off`: percent of the height, our choice. Off by its own doing must be mended; joints that drift off a
little each, until they are out together, are worth a look.

## What to do

Move the joint by the stated amount; the message says whether the joints below it go along.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting, Severity
from audit.rest import RestMeasures
from audit.rest.sample import figure
from audit.rest.words import move_in_words, percent

TWISTED_DEG = 0.05
"""A parent twisted by more carries its children off the plane: that is its own finding."""


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint of the trunk that is off the plane by its own doing."""
    limit, trunk = limits["off"], rest.trunk
    if rest.world.height <= 0.0:
        return
    told = np.abs(np.nan_to_num(trunk.twist_own_deg)) > TWISTED_DEG
    for joint in np.flatnonzero(trunk.member):
        parent = skeleton.parents[joint]
        known = parent >= 0 and told[parent]
        own = float(trunk.off_own[joint])
        drift = not known and abs(own) <= limit * rest.world.height / 100.0
        # Where nothing above is reported, the whole distance is this joint's to make good.
        off = own if known else float(trunk.off[joint])
        share = 100.0 * off / rest.world.height
        if abs(share) > limit:
            severity: Severity = "look" if drift else "fix"
            name, child = skeleton.names[joint], rest.limbs.child[joint]
            side = "left" if share > 0.0 else "right"
            message = (
                f"{name} is {percent(abs(share))} of the height to the {side} of the mirror plane: move it by "
                f"{move_in_words(-off * rest.pairs.normal)}"
            )
            if child >= 0:
                along = abs(trunk.off[child] - trunk.off[joint]) < abs(trunk.off[child])
                stay = "the joints below it going along" if along else "the joints below it staying"
                message += f", {stay}"
            yield Finding("rest-midline", severity, message, share, limit, int(joint))
            told[joint] = True
        told[joint] |= known


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(moved={"Neck": (0.01, 0.0, 0.0)}))


CHECK = RestCheck(
    name="rest-midline",
    title="a joint of the spine, neck, head or tail is off the mirror plane",
    limits={"off": 0.1},
    run=run,
    examples=_examples,
)
