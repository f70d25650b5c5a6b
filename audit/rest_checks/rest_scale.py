"""A joint is scaled at rest, or a rotation was left on the root.

## What it finds

Joints whose rest scale is not 1: negative, uneven, or even. Roots whose rest rotation is not a number of
quarter turns.

## Why it matters

Scale acts on everything below a joint and shears what is turned there; a negative one mirrors the axes, so
that equal values swing the other way. A rotation left on the root stands between the world's axes and the
whole rig.

## Formula

The largest difference of the three rest scales from 1. For a root, the angle of the smallest turn
between its axes and any of the twenty-four placements along the world's axes: quarter turns are how one
up axis is made into another. A root whose axis lies along its own slanted limb is turned on purpose.

## Limit and its source

`scale`: our choice. `turn`: degrees, our choice; both are what rounding leaves. An even scale on a root is
worth a look, as it may be a unit; everything else must be mended. Where the whole character is turned along
with its root, `rest-facing` asks for the turn and this for a look.

## What to do

Freeze scale and rotation into the joints below, before skinning.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting, Severity
from audit.rest import RestMeasures
from audit.rest.sample import figure
from audit.rest.words import number, turn_about_in_words

FACING_DEG = 1.0
"""From here on the facing of the whole character tells of the same turn."""


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each scaled joint and for each turned root."""
    for joint, name in enumerate(skeleton.names):
        scale = skeleton.rest_scales[joint]
        off = float(scale[np.argmax(np.abs(scale - 1.0))] - 1.0)
        if abs(off) > limits["scale"]:
            uneven = float(np.ptp(scale)) > limits["scale"]
            kind = "negative" if np.any(scale < 0.0) else "uneven" if uneven else "not 1"
            even_root = kind == "not 1" and skeleton.parents[joint] < 0
            severity: Severity = "look" if even_root else "fix"
            values = ", ".join(number(float(value)) for value in scale)
            message = f"The rest scale of {name} is {kind} ({values}): set to 1, 1, 1"
            yield Finding("rest-scale", severity, message, off, limits["scale"], joint)
    for joint in np.flatnonzero(skeleton.parents < 0).tolist():
        turn = rest.root_turn[joint]
        angle = float(np.linalg.norm(turn))
        if angle > limits["turn"]:
            message = (
                f"A rotation is left on the root {skeleton.names[joint]}: turn its axes by "
                f"{turn_about_in_words(-turn)}, joints below staying where they are"
            )
            told = _told_by_facing(rest, rest.world.axes[joint] @ turn)
            severity = "look" if told else "fix"
            yield Finding("rest-scale", severity, message, angle, limits["turn"], joint)


def _told_by_facing(rest: RestMeasures, turn: np.ndarray) -> bool:
    """Return whether the whole character is turned by the same turn (3,), in degrees in the world."""
    if np.isnan(rest.facing[0]):
        return False
    sine = float(np.cross(rest.forward, rest.facing) @ rest.up)
    facing = float(np.rad2deg(np.arcsin(np.clip(sine, -1.0, 1.0))))
    return abs(facing) > FACING_DEG and bool(np.linalg.norm(turn - facing * rest.up) < 0.05)


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(scales={"Spine": (1.0, 1.2, 1.0)}))


CHECK = RestCheck(
    name="rest-scale",
    title="a joint is scaled at rest, or a rotation was left on the root",
    limits={"scale": 1e-4, "turn": 0.01},
    run=run,
    examples=_examples,
)
