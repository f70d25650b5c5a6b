"""A joint is not in the middle of the body that it drives.

## What it finds

Joints with a limb above and one below that are away from the middle of the skin around them, as a share of
its thickness; for the first joint of a limb, whether it is set too shallow. Needs a skin.

## Why it matters

Common practice, no source: joints near the middle of the volume, hip and shoulder placed deep, the head's
pivot just below the ear. A joint beside the middle pinches the skin on one side and stretches it on the other.

## Formula

The slice of the points that the joint and its parent carry together, across the middle direction of the
two limbs. Its middle is the centroid of its outline (the convex hull), its thickness the diameter of the
circle of the same area. Where a limb begins at the trunk, the slice is across the limb alone. Elsewhere
joints bent by more than 40° at rest are passed over: there a slice is no cross-section.

## Limit and its source

`off`: percent of the thickness, our choice. It costs deformation, not curves: worth a look.

## What to do

Move the joint by the stated amount before skinning, or judge by eye: a kneecap is not in the middle either.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.sample import figure, sleeve
from audit.rest.words import move_in_words, percent

MOST_BEND_DEG = 40.0


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint that is away from the middle of its cross-section."""
    limit, sections = limits["off"], rest.sections
    with np.errstate(invalid="ignore"):
        share = 100.0 * np.linalg.norm(sections.off, axis=1) / sections.thickness
    straight = (rest.bends.bend_deg <= MOST_BEND_DEG) | sections.first
    for joint in np.flatnonzero(straight & (np.nan_to_num(share) > limit)):
        off, value = sections.off[joint], float(share[joint])
        message = (
            f"{skeleton.names[joint]} is {percent(value)} of the thickness away from the middle of the body "
            f"around it: move it by {move_in_words(off)}"
        )
        if _too_shallow(rest, int(joint), off):
            message += "; it is set too shallow"
        yield Finding("rest-centred", "look", message, value, limit, int(joint))


def _too_shallow(rest: RestMeasures, joint: int, off: np.ndarray) -> bool:
    """Return whether a joint at which a limb begins should go deeper, towards the mirror plane."""
    if not (rest.sections.first[joint] and rest.pairs.has_plane):
        return False
    inward = -float(off @ rest.pairs.normal) * float(rest.pairs.side[joint])
    return inward > 0.5 * float(np.linalg.norm(off))


def _examples() -> tuple[Resting, Resting]:
    rig = figure()
    clean, beside = sleeve(rig, "L_Forearm"), sleeve(rig, "L_Forearm", (0.0, 0.03, 0.0))
    return Resting(rig, (clean,)), Resting(rig, (beside,))


CHECK = RestCheck(
    name="rest-centred",
    title="a joint is not in the middle of the body that it drives",
    limits={"off": 15.0},
    run=run,
    examples=_examples,
)
