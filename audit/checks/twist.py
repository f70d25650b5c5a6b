"""The axes of a hinge are turned about the limb, away from the axis that it really moves on.

## What it finds

Hinges whose nearest cross axis is further about the limb from the measured hinge axis than the
limit.

## Why it matters

A bend of φ about an axis that is off by θ leaks about `φ · sin θ` into a second channel: 2° leaks
two degrees of a sixty-degree bend, 45° spreads it evenly over two. Common practice, no source: axes
turned by 180° about the limb swing the other way for the same positive value, axes turned by 45°
need two curves or more, and which of the two cross axes carries the hinge does not matter, only
that one does.

## Formula

The hinge axis is the first principal axis of the local rotation vectors. The twist offset is the
angle about the limb axis from the shadow of the nearest cross half-axis, on the plane across the
limb, to the shadow of the hinge axis. Its interval comes from the keys themselves (see the page on
the measures).

## Limit and its source

`offset`: degrees, our choice. The joint must be mended only where the whole interval lies beyond
the limit and the turn saves edit keys or halves the range of the other curves (noise can keep their
keys); else the finding asks for a look.

## What to do

Turn the joint's axes about the limb by the stated angle, on a copy of the rig, before animation
starts. An offset changes every curve, constraint and mechanism of the joint: agree on it first, and
test the rig again afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding, Severity
from audit.wording import interval_in_words, turn_in_words


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each hinge whose twist offset is beyond the limit."""
    limit = limits["offset"]
    now, after = measures.now, (measures.after_twist, measures.after_full)
    fewer_keys = np.min([cost.edit_keys for cost in after], axis=0) < now.edit_keys
    side = np.min([cost.side_range_deg for cost in after], axis=0)
    helps = (now.moving_channels > 1) & (fewer_keys | (side < 0.5 * now.side_range_deg))
    for joint, name in enumerate(shot.skeleton.names):
        offset = float(measures.twist_offset_deg[joint])
        if not abs(offset) > limit:
            continue
        low, high = (float(value) for value in measures.twist_interval_deg[joint])
        sure = low > limit or high < -limit
        severity: Severity = "fix" if sure and helps[joint] else "look"
        message = turn_in_words(name, offset)
        if not math.isnan(low):
            percent = f"{measures.settings.confidence:.0%}"
            message += f" ({percent} interval {interval_in_words(low, high)})"
        else:
            message += " (too few keys to say how sure that is)"
        yield Finding("twist", severity, message[0].upper() + message[1:], offset, limit, joint)


def _examples() -> tuple[Shot, Shot]:
    clean = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    return clean, limb_shot(hinge_channels((0.8, 0.0, 0.6), bend()))


CHECK = Check(
    name="twist",
    title="a hinge's axes are turned about the limb",
    limits={"offset": 2.0},
    run=run,
    examples=_examples,
)
