"""Neighbouring rotation keys are quaternions of opposite sign.

## What it finds

Joints whose stored quaternions change sign from one key to the next although the pose hardly moves.

## Why it matters

A quaternion and its negative are the same rotation, so no pose is wrong. Between the keys it matters who
reads: what takes the short way round, as glTF asks for straight segments, plays the same motion; what mixes
the numbers as they are sends the joint through a detour of up to a full turn. Cubic segments have no short
way: their curve runs through the stored numbers, and a flip bends it for every reader.

## Formula

A flip is a pair of neighbouring keys with a negative product, `x₁x₂ + y₁y₂ + z₁z₂ + w₁w₂ < 0`. Shots that
are stored as angles have none.

## Limit and its source

`flips`: how many are allowed, none.

## What to do

Negate keys so that neighbours agree; the poses stay as they are. It is a note where the segments are
straight, and asks for a look where they are cubic.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from audit.measures import Measures
from audit.model import Shot, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding, Severity
from audit.wording import plural


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint whose stored quaternions flip their sign."""
    if shot.channels is not None:
        return
    for joint, name in enumerate(shot.skeleton.names):
        keys = shot.joint_rotations([joint])[:, 0]
        flips = int(np.count_nonzero(np.sum(keys[:, 1:] * keys[:, :-1], axis=0) < 0.0))
        if flips <= limits["flips"]:
            continue
        track = None if shot.tracks is None else shot.tracks.rotations[joint]
        cubic = track is not None and track.interpolation == "cubic"
        harm = (
            "which bends the cubic curve between them"
            if cubic
            else "which only readers that take the short way round play right"
        )
        message = (
            f"The rotation keys of {name} change sign at {plural(flips, 'key')}, {harm}: negate keys so "
            "that neighbours agree"
        )
        severity: Severity = "look" if cubic else "note"
        yield Finding("sign-flip", severity, message, float(flips), limits["flips"], joint)


def _examples() -> tuple[Shot, Shot]:
    limb = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    still = (None, None, None)
    signs = np.where(np.arange(limb.frames) < 40, 1.0, -1.0)[:, None]
    clean, faulty = (
        replace(
            limb,
            channels=None,
            tracks=Tracks((None, Track(limb.times_s, values), None), still, still),
        )
        for values in (limb.rotations_xyzw[:, 1], signs * limb.rotations_xyzw[:, 1])
    )
    return clean, faulty


CHECK = Check(
    name="sign-flip",
    title="neighbouring rotation keys have opposite signs",
    limits={"flips": 0.0},
    run=run,
    examples=_examples,
)
