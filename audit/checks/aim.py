"""No principal axis of a hinge lies along its limb, so that a twist alone cannot finish the job.

## What it finds

Hinges whose nearest principal axis is further from the limb axis than the limit.

## Why it matters

A turn about the limb only helps fully where one of the joint's axes is the limb. Where none is, the
hinge stays oblique to all three axes whatever the twist.

## Formula

The aim error is the angle between the limb axis and the nearest principal half-axis of the joint.
What re-aiming gains is the channel spread after the twist alone minus the channel spread after aim
and twist, both recomputed from the motion.

## Limit and its source

`error`: degrees, our choice. The joint must be mended where re-aiming gains more than `gain`
effective curves beyond the twist and saves edit keys, and is worth a look where it saves none; else
it is a note, since plain captured skeletons have world-aligned axes throughout.

## What to do

Aim one axis along the limb first, then set the twist. The full correction in the results is that
whole turn, as a quaternion. Work on a copy, and test the rig again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.wording import degrees


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each hinge with an offset whose aim error is beyond the limit."""
    for joint, name in enumerate(shot.skeleton.names):
        error = float(measures.aim_error_deg[joint])
        if not measures.has_offset[joint] or not error > limits["error"]:
            continue
        gain = float(measures.causes[joint, 1])
        start = f"No axis of {name} lies along its limb: the nearest is {degrees(error)} away"
        saves = (
            measures.now.moving_channels[joint] > 1
            and measures.after_full.edit_keys[joint] < measures.after_twist.edit_keys[joint]
        )
        if gain > limits["gain"] and saves:
            left = float(measures.after_twist.channel_spread[joint])
            message = (
                f"{start}. A twist alone leaves a channel spread of {left:.2f}; aim the axes first"
            )
            yield Finding("aim", "fix", message, error, limits["error"], joint)
        elif gain > limits["gain"] and measures.now.moving_channels[joint] > 1:
            message = f"{start}. Re-aiming brings the channel spread down by {gain:.2f}, but saves no edit keys"
            yield Finding("aim", "look", message, error, limits["error"], joint)
        else:
            message = f"{start}, which costs this hinge next to nothing"
            yield Finding("aim", "note", message, error, limits["error"], joint)


def _examples() -> tuple[Shot, Shot]:
    clean = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    oblique = limb_shot(hinge_channels((0.9, 0.4, 0.0), bend()))
    leaning = clean.skeleton.offsets.copy()
    leaning[2] = (0.4, -0.9, 0.0)
    skeleton = type(oblique.skeleton).plain(
        oblique.skeleton.names,
        [int(parent) for parent in oblique.skeleton.parents],
        leaning,
        orders="YZX",
    )
    return clean, Shot(skeleton, oblique.times_s, oblique.source, oblique.channels)


CHECK = Check(
    name="aim",
    title="no axis of a hinge lies along its limb",
    limits={"error": 0.5, "gain": 0.1},
    run=run,
    examples=_examples,
)
