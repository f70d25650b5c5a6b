"""Rotation keys are quaternions that are not of unit length.

## What it finds

Joints with at least one rotation key whose quaternion is longer or shorter than one.

## Why it matters

Only a quaternion of unit length is a rotation. One program makes it so before use, the next one scales
the limb with it, a third draws the curve between two such keys elsewhere: the same file shows different
motions.

## Formula

The length is `√(x² + y² + z² + w²)`, and its distance from 1 at the worst key is compared with the limit.
What rounding to the file's own kind of number explains is taken off first, so that keys stored as whole
numbers of 8 or 16 bits are not blamed for it.

## Limit and its source

`length`: our choice. Numbers of 32 bits, or with four decimals, stay below it.

## What to do

Normalise the keys where they were made: such lengths often come from mixing or filtering quaternions
number by number. Everything measured here uses the keys made unit length.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from audit.measures import Measures
from audit.model import Shot, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint with keys that are not of unit length."""
    errors = None if shot.tracks is None else shot.tracks.length_errors
    for joint, error in enumerate(errors or ()):
        if error > limits["length"]:
            message = (
                f"The rotation keys of {shot.skeleton.names[joint]} are not of unit length, at the worst "
                f"key by {error:.4f}: normalise them where they were made"
            )
            yield Finding("not-unit", "look", message, error, limits["length"], joint)


def _examples() -> tuple[Shot, Shot]:
    limb = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    still = (None, None, None)
    knee = Track(limb.times_s, limb.rotations_xyzw[:, 1])
    clean, faulty = (
        replace(
            limb,
            channels=None,
            tracks=Tracks((None, knee, None), still, still, length_errors=(0.0, error, 0.0)),
        )
        for error in (1e-7, 0.0594)
    )
    return clean, faulty


CHECK = Check(
    name="not-unit",
    title="rotation keys are not of unit length",
    limits={"length": 1e-3},
    run=run,
    examples=_examples,
)
