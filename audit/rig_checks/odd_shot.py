"""One shot contradicts all others about the axis of a hinge, by more than chance.

## What it finds

Shots whose own axis of a joint lies further from the axis that the other shots show than both
intervals together explain.

## Why it matters

A rig has one axis for a hinge. A shot that shows another was made on another rig, or its joint was
animated off its hinge, or a part of it is broken. It pulls the offset of all shots its way.

## Formula

Hotelling's T² of the shot's axis against that of the other shots, with the covariance of both and
of the axis from shot to shot. The probability is multiplied by the number of shots and joints
looked at, so that a rig in which nothing is odd gives a false alarm once in twenty times at most.
The page on many shots has the figures. With fewer than four shots nobody can say which of them is
the odd one.

## Limit and its source

`angle`: degrees, our choice. A smaller contradiction is certain only because there are many keys,
and costs nothing.

## What to do

Look at the joint in that shot. Where it was made on other axes, leave it out and ask for it on the
right rig.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from audit.model import Shot
from audit.plugins import Finding, Rig, RigCheck
from audit.rig_checks._examples import arm_shot
from audit.wording import degrees


def run(rig: Rig, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint of each shot that contradicts the others."""
    for odd in rig.measures.odd_shots:
        if odd.angle_deg > limits["angle"]:
            yield Finding(
                "odd-shot",
                "look",
                f"In {odd.shot} {rig.skeleton.names[odd.joint]} bends about an axis {degrees(odd.angle_deg)} "
                f"away from that of the other {rig.shots - 1} shots, which chance does not explain: look "
                "whether it was made on the same rig",
                odd.angle_deg,
                limits["angle"],
                odd.joint,
            )


def _examples() -> tuple[tuple[Shot, ...], tuple[Shot, ...]]:
    same = tuple(arm_shot(number) for number in range(6))
    return same, (*same[:5], arm_shot(5, twist_deg=40.0))


CHECK = RigCheck(
    name="odd-shot",
    title="one shot contradicts the others about a hinge's axis",
    limits={"angle": 2.0},
    run=run,
    examples=_examples,
)
