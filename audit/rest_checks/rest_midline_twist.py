"""The axes of a joint in the middle are turned about the limb.

## What it finds

Joints of the spine, neck, head or tail none of whose axes stands at right angles to the mirror plane, even
by a few hundredths of a degree: what a nudge off the plane leaves behind. Roots are left to `rest-scale`,
and formats without rest rotations are passed over.

## Why it matters

Common practice, no source: spine twist is exactly zero. A nod of a neck whose axes are twisted is also a
little of a turn and a little of a tilt, on three curves, and it cannot be mirrored.

## Formula

The angle about the limb from the normal of the mirror plane to the principal axis nearest to it, both
seen along the limb. A twist that is carried along from the parent is not named again.

## Limit and its source

`twist`: degrees, our choice.

## What to do

Turn the joint's axes about the limb by the stated angle, joints below it staying where they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.sample import figure
from audit.rest.words import precise
from audit.wording import sense_in_words

ROOT_TURN_DEG = 0.01
"""Roots that are turned by more have a finding of their own."""


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint of the trunk that is twisted by its own doing."""
    limit = limits["twist"]
    if not rest.has_axes:
        return
    twist = np.nan_to_num(rest.trunk.twist_own_deg)
    turned = np.nan_to_num(np.linalg.norm(rest.root_turn, axis=1)) > ROOT_TURN_DEG
    for joint in np.flatnonzero((np.abs(twist) > limit) & ~turned):
        value, name = float(twist[joint]), skeleton.names[joint]
        message = (
            f"The axes of {name} are twisted by {precise(abs(value))} against the mirror plane: turn them by "
            f"{precise(-value)} about the limb, {sense_in_words(-value)} seen from the joint towards its child"
        )
        yield Finding("rest-midline-twist", "fix", message, value, limit, int(joint))


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(turned={"Neck": (0.2, 0.0, 0.0)}))


CHECK = RestCheck(
    name="rest-midline-twist",
    title="the axes of a joint in the middle are turned about the limb",
    limits={"twist": 0.05},
    run=run,
    examples=_examples,
)
