"""The middle rotation channel of a joint comes close to its lock at ±90°.

## What it finds

Moving joints whose gimbal margin falls below the limit in at least one frame.

## Why it matters

Near the lock the outer and the inner channel turn about nearly the same axis: small changes of pose
need large swings of two curves, and values between keys take detours.

## Formula

The gimbal margin is the distance of the middle channel from ±90°. Its least value over the shot is
compared with the limit; the share of frames below it is given in the message.

## Limit and its source

`margin`: degrees, our choice. At 15° the outer channels already move `1 / cos 75° ≈ 3.9` times as
fast as the pose.

## What to do

Look at the frames. Where the joint often comes there, another rotation order has more room.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.wording import degrees


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each moving joint with a thin gimbal margin."""
    close = measures.gimbal_margin_deg < limits["margin"]
    for joint in np.flatnonzero(close):
        if measures.kind[joint] == "still":
            continue
        order = measures.orders[joint]
        margin = float(measures.gimbal_margin_deg[joint])
        message = (
            f"The middle channel ({order[1]} of {order}) of {shot.skeleton.names[joint]} comes within "
            f"{degrees(margin)} of its lock; {measures.near_lock[joint]:.0%} of the frames are nearer "
            "than 15°"
        )
        yield Finding("gimbal", "look", message, margin, limits["margin"], int(joint))


def _examples() -> tuple[Shot, Shot]:
    clean = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    close = limb_shot(hinge_channels((0.0, 0.0, 1.0), bend(high=84.0)))
    return clean, close


CHECK = Check(
    name="gimbal",
    title="the middle channel comes close to its lock",
    limits={"margin": 15.0},
    run=run,
    examples=_examples,
)
