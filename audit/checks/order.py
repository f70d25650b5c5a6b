"""A hinge spreads over its curves because of its rotation order.

## What it finds

Hinges that would move fewer channels in the advised rotation order, after the axes are right.

## Why it matters

In a rotation order the middle channel locks at ±90°. A hinge on the middle channel that bends past
that sends all three curves swinging although its axes are clean. A hinge with a constant turn in
front of it stays on one channel only where the hinge channel is the innermost.

## Formula

The advised order has the hinge channel innermost; of the two such orders it is the one whose middle
channel stays further from ±90°. What it gains is the channel spread with the full correction in the
present order minus that in the advised order, both recomputed from the motion.

## Limit and its source

`gain`: effective curves, our choice. The joint must be mended where that saves edit keys; else it
is worth a look.

## What to do

Change the joint's rotation order before animation starts, or convert the curves with the change.
Curves that were made in one order are wrong in another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding, Severity


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each hinge that the advised order puts on fewer curves."""
    for joint, name in enumerate(shot.skeleton.names):
        gain = float(measures.causes[joint, 2])
        advised = measures.advised_order[joint]
        if advised is None or not gain > limits["gain"] or measures.now.moving_channels[joint] < 2:
            continue
        present = measures.orders[joint]
        saves = measures.after_full.edit_keys[joint] < measures.now.edit_keys[joint]
        message = (
            f"The rotation order of {name}, {present}, costs it {gain:.2f} of a curve: "
            f"{advised} has the hinge channel innermost"
        )
        severity: Severity = "fix" if saves else "look"
        yield Finding("order", severity, message, gain, limits["gain"], joint)


def _examples() -> tuple[Shot, Shot]:
    clean = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(high=120.0), "YZX"), order="YZX")
    wobble = hinge_channels((1.0, 0.03, 0.03), bend(high=120.0), "YXZ")
    return clean, limb_shot(wobble, order="YXZ")


CHECK = Check(
    name="order",
    title="the rotation order of a hinge costs curves",
    limits={"gain": 0.1},
    run=run,
    examples=_examples,
)
