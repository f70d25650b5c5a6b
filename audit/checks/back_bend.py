"""A hinge goes past straight, against its working direction.

## What it finds

Hinges that mostly bend one way from straight and, in some frames, bend the other way by more than
the limit.

## Why it matters

A knee that bends backwards is seen at once, and mechanisms that solve a limb from its end may flip
there.

## Formula

Straight is where the limb goes on in the direction in which it came: the angle about the hinge axis
at which the joint's limb axis lines up with the bone above it, both seen on the plane across the
hinge axis. Where that is not within 30° of the rest pose (an ankle, say), or there is no bone
above, a joint has no straight and is passed over. The working direction is the one with the larger
excursion from straight.

## Limit and its source

`angle`: degrees past straight, our choice. Living knees and elbows go 1° to 5° past straight
(Soucie et al., Haemophilia 17, 2011; Zwerus et al., Shoulder & Elbow 11, 2017). `ratio`: the
working excursion must be at least this many times as large; a hinge that swings both ways has no
working direction.

## What to do

Look at the frames. If straight is not where this says, the bone above and the limb are not in line
at rest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.rotations import conjugate, rotate
from audit.wording import degrees

STRAIGHT_NEAR_REST_DEG = 30.0


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each hinge that bends backwards."""
    straight = _straight_deg(shot, measures)
    forwards = measures.excursion_deg[:, 1] - straight
    backwards = straight - measures.excursion_deg[:, 0]
    working = np.maximum(forwards, backwards)
    back = np.minimum(forwards, backwards)
    hinge = np.array([kind == "hinge" for kind in measures.kind])
    past = hinge & (back > limits["angle"]) & (working > limits["ratio"] * back)
    for joint in np.flatnonzero(past):
        message = (
            f"{shot.skeleton.names[joint]} goes {degrees(float(back[joint]))} past straight, against its "
            f"working direction ({degrees(float(working[joint]))} the other way)"
        )
        yield Finding("back-bend", "look", message, float(back[joint]), limits["angle"], int(joint))


def _straight_deg(shot: Shot, measures: Measures) -> np.ndarray:
    """Return the turn from rest (J,) at which each limb is straight, NaN where there is none.

    Degrees about the hinge axis.
    """
    skeleton = shot.skeleton
    hinge, limb = measures.hinge_axis.T, measures.limb_axis.T
    above = skeleton.offsets.T
    if measures.settings.reference == "rest":
        above = rotate(conjugate(skeleton.rest_xyzw.T), above)
    sine = np.sum(hinge * np.cross(limb, above, axis=0), axis=0)
    cosine = np.sum(limb * above, axis=0) - np.sum(hinge * limb, axis=0) * np.sum(
        hinge * above, axis=0
    )
    angle = np.rad2deg(np.arctan2(sine, cosine))
    usable = (skeleton.parents >= 0) & (np.abs(angle) <= STRAIGHT_NEAR_REST_DEG)
    return np.where(usable, angle, np.nan)


def _examples() -> tuple[Shot, Shot]:
    clean = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    return clean, limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(low=-6.0, high=80.0)))


CHECK = Check(
    name="back-bend",
    title="a hinge goes past straight",
    limits={"angle": 3.0, "ratio": 4.0},
    run=run,
    examples=_examples,
)
