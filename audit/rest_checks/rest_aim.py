"""No principal axis lies along the limb, or one joint of a chain aims with another axis than the next.

## What it finds

Joints with one limb of their own along which none of their axes lies; and joints that aim with another
letter, or another sign, than most joints of their chain. Roots are left to `rest-scale`, and formats without
rest rotations are passed over.

## Why it matters

Twist about the limb is then on no channel of its own: rolling a forearm moves all three curves. Where the
letter changes along a chain, so does the meaning of every channel, and nothing can be copied from joint to
joint.

## Formula

The angle between the limb and the nearest principal half-axis. Where a joint is out of place, the limb to
the place where its partner or the mirror plane has it counts if that is better: the place is the fault
then, not the axes. Where several limbs branch off, the best of them and of their mean counts.

## Limit and its source

`aim`: degrees, as for the check `aim` of shots. Joints off which limbs branch, ends, and letters that change
along a chain are worth a look; joints with one limb must be mended. Where the partner is fine and the pair
is not mirrored there, `rest-mirror` has the fix.

## What to do

Turn the joint's axes by the stated angle, joints below it staying where they are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting, Severity
from audit.rest import RestMeasures
from audit.rest.blame import one_sided
from audit.rest.sample import figure
from audit.rest.words import precise, turn_about_in_words
from audit.wording import axis_in_words


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint that no axis of its own aims along."""
    if not rest.has_axes:
        return
    limit, limbs = limits["aim"], rest.limbs
    asked = (skeleton.parents >= 0) & ~np.isnan(limbs.aim_deg)
    faulty = asked & (limbs.aim_deg > limit)
    sidelong = one_sided(faulty, skeleton, rest)
    for joint in np.flatnonzero(faulty):
        name, value = skeleton.names[joint], float(limbs.aim_deg[joint])
        along = rest.world.axes[joint].T @ limbs.aim_limb[joint]
        cross = np.cross(limbs.aim_axis[joint], along)
        turn = value * cross / max(float(np.linalg.norm(cross)), 1e-300)
        plain = not limbs.branching[joint] and limbs.child[joint] >= 0 and not sidelong[joint]
        severity: Severity = "fix" if plain else "look"
        message = (
            f"No axis of {name} lies along its limb; the nearest, {axis_in_words(limbs.aim_axis[joint])}, is "
            f"{precise(value)} off: turn its axes by {turn_about_in_words(turn)}"
        )
        yield Finding("rest-aim", severity, message, value, limit, int(joint))
    yield from _letters(skeleton, rest, asked & ~faulty & ~limbs.branching, limit)


def _letters(
    skeleton: Skeleton, rest: RestMeasures, asked: np.ndarray, limit: float
) -> Iterator[Finding]:
    """Yield a finding for each joint that aims with another half-axis than most of its chain."""
    limbs = rest.limbs
    for chain in np.unique(limbs.chain[asked]):
        joints = np.flatnonzero(asked & (limbs.chain == chain))
        used = Counter(tuple(axis) for axis in limbs.aim_axis[joints].tolist())
        usual, count = used.most_common(1)[0]
        if len(joints) < 3 or count <= len(joints) // 2:
            continue
        for joint in joints:
            cosine = float(limbs.aim_axis[joint] @ np.array(usual))
            turn = 180.0 if cosine < -0.5 else 90.0
            if cosine < 0.5 and turn > limit:
                message = (
                    f"{skeleton.names[joint]} aims with {axis_in_words(limbs.aim_axis[joint])}, most joints of "
                    f"its chain with {axis_in_words(np.array(usual))}: turn its axes by {turn:.0f}°"
                )
                yield Finding("rest-aim", "look", message, turn, limit, int(joint))


def _examples() -> tuple[Resting, Resting]:
    turned = {"L_Forearm": (0.0, 0.0, 3.0), "R_Forearm": (0.0, 0.0, 3.0)}
    return Resting(figure()), Resting(figure(turned=turned))


CHECK = RestCheck(
    name="rest-aim",
    title="no principal axis lies along the limb, or axes change along a chain",
    limits={"aim": 0.5},
    run=run,
    examples=_examples,
)
