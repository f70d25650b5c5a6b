"""The plane in which a limb is bent at rest does not hold the hinge's axis at right angles.

## What it finds

Knees, elbows and the like of which no cross axis stands at right angles to the plane of the rest bend; the
limb is then not straight either, seen along the plane that the axis asks for. Formats without rest
rotations are passed over.

## Why it matters

A mechanism that solves the limb keeps it in the plane of its three joints and turns the hinge about the
normal of that plane. Where the hinge's axis is another, every solved bend is spread over two channels. Common
practice, no source: a limb is straight from the front.

## Formula

The normal of the plane is the cross product of the limb above and the limb below. The angle is the turn
about the limb below from the principal axis nearest to the normal, of the two across the limb, to the normal.
The joint coordinate systems that the International Society of Biomechanics recommends put the flexion axis
of knee and elbow across the limb in the same way (Wu et al., J. Biomech. 35, 2002, and 38, 2005).

## Limit and its source

`off`: degrees, our choice. The bend itself must be at least half a degree, else it has no plane. Fingers
and toes are worth a look. Where the partner is fine and the pair is not mirrored there, `rest-mirror` has
the fix.

## What to do

Turn the joint's axes about the limb by the stated angle; or, where the axes are meant as they are, move the
joint into the plane that they ask for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.model.names import says_hinge
from audit.plugins import Finding, RestCheck, Resting, Severity
from audit.rest import RestMeasures
from audit.rest.bends import LEAST_BEND_DEG
from audit.rest.blame import one_sided
from audit.rest.sample import figure
from audit.rest.words import precise
from audit.wording import turn_in_words


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each hinge whose axis is not at right angles to its rest bend."""
    if not rest.has_axes:
        return
    limit, bends = limits["off"], rest.bends
    others = np.array([says_hinge(name) for name in skeleton.names])
    asked = ((bends.named != 0) | others) & (bends.bend_deg >= LEAST_BEND_DEG)
    faulty = asked & (np.abs(np.nan_to_num(bends.plane_deg)) > limit)
    sidelong = one_sided(faulty, skeleton, rest)
    for joint in np.flatnonzero(faulty):
        name, value = skeleton.names[joint], float(bends.plane_deg[joint])
        severity: Severity = "fix" if bends.named[joint] and not sidelong[joint] else "look"
        message = (
            f"The axis that {name} bends about is {precise(abs(value))} off the normal of its rest bend, so "
            f"that the limb is {precise(float(bends.sideways_deg[joint]))} off straight to that axis: "
            f"{turn_in_words(name, value)}"
        )
        yield Finding("rest-bend-plane", severity, message, value, limit, int(joint))


def _examples() -> tuple[Resting, Resting]:
    turned = {"L_Forearm": (10.0, 0.0, 0.0), "R_Forearm": (10.0, 0.0, 0.0)}
    return Resting(figure()), Resting(figure(turned=turned))


CHECK = RestCheck(
    name="rest-bend-plane",
    title="the plane of the rest bend does not hold the hinge's axis at right angles",
    limits={"off": 2.0},
    run=run,
    examples=_examples,
)
