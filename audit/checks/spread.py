"""A hinge needs edits on more than one curve, and turning its axes or changing its order would help.

## What it finds

Hinges whose motion spreads over two or three rotation curves. It asks for a mend where part of that
is avoidable, and only for a look where the rest is the motion's own.

## Why it matters

One natural bend is then edited on two or three curves, in every shot that uses the rig.

## Formula

Channel spread is `(Σ t)² / Σ t²` over the travel `t` of the three channels along their
straight-line keys: the effective number of curves, 1 for one and 3 for evenly on all three (the
Hill number of order 2: M. O. Hill, Ecology 54, 1973). The avoidable part is what the twist offset,
the aim and the rotation order gain together.

## Limit and its source

`avoidable`: effective curves that can be saved before the joint must be mended; `own`: effective
curves beyond one before it is worth a look. Both are our choice: a tenth of a curve is about what a
second channel adds that travels a twentieth of the first. A hinge on one moving channel is never
reported.

## What to do

Turn the axes as the `twist` and `aim` findings say, or change the order as `order` says. Where the
motion itself has a second freedom, leave the joint as it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.wording import degrees, plural


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each hinge that moves more than one channel."""
    for joint, name in enumerate(shot.skeleton.names):
        channels = int(measures.now.moving_channels[joint])
        if measures.kind[joint] != "hinge" or channels < 2:
            continue
        spread = float(measures.now.channel_spread[joint])
        avoidable = float(measures.causes[joint, :3].sum())
        now = int(measures.now.edit_keys[joint])
        after = int(
            min(measures.after_twist.edit_keys[joint], measures.after_full.edit_keys[joint])
        )
        start = f"{name} is a hinge spread over {plural(channels, 'curve')} (channel spread {spread:.2f})"
        if avoidable > limits["avoidable"] and measures.has_offset[joint] and after < now:
            yield Finding(
                "spread",
                "fix",
                f"{start}; clean axes bring {plural(now, 'edit key')} down to {after:,}",
                spread,
                1.0 + limits["avoidable"],
                joint,
            )
        elif spread - 1.0 > limits["own"]:
            residual = float(measures.residual_deg[joint])
            side = float(measures.now.side_range_deg[joint])
            left = float(measures.after_full.side_range_deg[joint])
            if left < 0.5 * side:
                reason = (
                    f"clean axes leave the other curves {degrees(left)} of range instead of "
                    f"{degrees(side)}, though noise or small motion keeps their keys"
                )
            elif avoidable > spread - 1.0 - avoidable:
                reason = "clean axes would bring that down, but save no edit keys"
            elif residual > measures.settings.aim_limit_deg:
                reason = (
                    f"its hinge axis leans {degrees(residual)} along the limb, and no turn about "
                    "the limb can mend that"
                )
            else:
                reason = "the spread is the motion's own, no turn of the axes takes it away"
            because = measures.no_offset_because[joint]
            if because:
                reason = f"no offset is suggested because {because}"
            yield Finding(
                "spread", "look", f"{start}; {reason}", spread, 1.0 + limits["own"], joint
            )


def _examples() -> tuple[Shot, Shot]:
    clean = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    return clean, limb_shot(hinge_channels((0.8, 0.0, 0.6), bend()))


CHECK = Check(
    name="spread",
    title="a hinge spreads over more than one curve",
    limits={"avoidable": 0.1, "own": 0.1},
    run=run,
    examples=_examples,
)
