"""A curve leaps by a turn while the pose does not.

## What it finds

Joints whose stored channels jump by a whole turn, or change over to the other set of three angles
for the same pose, from one key to the next.

## Why it matters

The keys are right and the curve between them is not: anything that draws a line from key to key,
such as an edit, a filter or a slower playback, sends the joint through a full spin.

## Formula

Each key is compared with the equivalent angles nearest to the key before it, out of both solutions
and all whole turns. A key counts as a wrap jump where the stored curve steps further than that.

## Limit and its source

`jumps`: how many are allowed, none.

## What to do

Rewrite the curve with the continuous values; the poses stay as they are. Captured headings wrap
often, which is why this asks for a look and not for a mend.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.wording import plural


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint with wrap jumps."""
    for joint in np.flatnonzero(measures.wrap_jumps > limits["jumps"]):
        jumps = int(measures.wrap_jumps[joint])
        message = (
            f"The curves of {shot.skeleton.names[joint]} leap at {plural(jumps, 'key')} although the pose "
            "does not: rewrite them with continuous values"
        )
        yield Finding("wrap", "look", message, float(jumps), limits["jumps"], int(joint))


def _examples() -> tuple[Shot, Shot]:
    clean = hinge_channels((1.0, 0.0, 0.0), bend(high=120.0))
    leaping = clean.copy()
    leaping[40:, 0] += 360.0
    return limb_shot(clean), limb_shot(leaping)


CHECK = Check(
    name="wrap",
    title="a curve leaps by a turn, the pose does not",
    limits={"jumps": 0.0},
    run=run,
    examples=_examples,
)
