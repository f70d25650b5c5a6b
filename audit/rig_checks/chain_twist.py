"""The side axes of neighbours along a limb jump: a finger or spine whose joints are turned against each other.

## What it finds

Runs of joints that follow each other roughly straight on, such as fingers, spines and tails, in
which some joint's side axes are turned about the limb against its neighbours'.

## Why it matters

Such joints are posed together: selected as one and turned by one value. A joint whose axes are
turned against the others curls sideways while they curl inwards.

## Formula

Side axes are compared in the rest pose, carried from joint to joint by the smallest rotation
between their limbs, so that a bend in the limb is no twist (parallel transport: R. L. Bishop,
American Mathematical Monthly 82, 1975). Of all turns that make a chain agree, the fewest are named,
and of those the smallest.

## Limit and its source

`jump`: degrees, our choice. A format without rest rotations has no side axes of its own and is not
looked at.

## What to do

Turn the named joints about the limb by the stated angles. Where a joint's own motion asks for
another offset, that one counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from audit.model import Shot
from audit.plugins import Finding, Rig, RigCheck
from audit.pool import chain_twist
from audit.rig_checks._examples import arm_shot
from audit.wording import turn_in_words


def run(rig: Rig, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint that has to turn for its chain to agree."""
    if not rig.has_rest_rotations:
        return
    names = rig.skeleton.names
    for chain in chain_twist(rig.skeleton):
        for joint, twist in zip(chain.joints, chain.twist_deg, strict=True):
            if abs(twist) > limits["jump"]:
                message = turn_in_words(names[joint], twist)
                ends = f"{names[chain.joints[0]]} to {names[chain.joints[-1]]}"
                yield Finding(
                    "chain-twist",
                    "look",
                    f"Its side axes jump against the chain from {ends}: {message}",
                    twist,
                    limits["jump"],
                    joint,
                )


def _examples() -> tuple[tuple[Shot, ...], tuple[Shot, ...]]:
    return (arm_shot(0),), (arm_shot(0, chain_deg=30.0),)


CHECK = RigCheck(
    name="chain-twist",
    title="side axes jump along a chain",
    limits={"jump": 1.0},
    run=run,
    examples=_examples,
)
