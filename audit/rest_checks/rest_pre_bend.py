"""A knee or an elbow is straight at rest, bent the wrong way, or bent too much.

## What it finds

Joints whose name says knee, elbow or the like and that are bent by less than the least or more than the
most, or against the way in which they work.

## Why it matters

A mechanism that solves a limb from its end bends it the way it is bent at rest: straight, it has no way to
choose; bent the wrong way, it folds the knee forward. Bent too much, the rest pose is far from the middle of
what the joint does, and its curves begin there. Common practice, no source: a slight bend at elbow and knee.

## Formula

The angle between the limb above and the limb below. The way comes from the motion, where there is any: the
larger turn away from rest goes the working way. Else from the name: what is below a knee swings backward,
what is beyond an elbow forward (common practice, no source), as far as the facing is known. The move that
mends a straight joint is the one that bends it by 3°.

## Limit and its source

`least`, `most`: degrees, our choice. Too much is never more than a look, and limbs that zigzag by more than
30°, as the legs of animals do, are bent by nature. A published elbow is not straight from the front either:
the carrying angle is 12.42° ± 4.06° (Zampagni et al., J. Shoulder Elbow Surg. 17, 2008). Where there are no
rest rotations the rest pose is often no more than a place to count from: then a look. Where the partner is
fine and the pair is not mirrored there, `rest-mirror` has the fix.

## What to do

Move the joint by the stated amount, on both sides, and turn the axes of the limb along.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting, Severity
from audit.rest import RestMeasures
from audit.rest.blame import one_sided
from audit.rest.sample import figure
from audit.rest.words import move_in_words, precise

GOOD_BEND_DEG = 3.0
"""What a straight joint is advised to be bent by."""

NO_BEND_DEG = 1e-9


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each knee or elbow whose rest bend is out of its limits."""
    least, most = limits["least"], limits["most"]
    bends = rest.bends
    asked = (bends.named != 0) & ~np.isnan(bends.bend_deg)
    signed = np.where(bends.right_way < 0, -1.0, 1.0) * bends.bend_deg
    small = asked & (signed < least)
    sidelong = one_sided(small, skeleton, rest)
    large = asked & (signed > most) & ~bends.natural & rest.upright
    for joint in np.flatnonzero(small | large):
        name, value = skeleton.names[joint], float(signed[joint])
        severity: Severity = "fix"
        if large[joint] or sidelong[joint] or not rest.has_axes:
            severity = "look"
        if large[joint]:
            message = f"{name} is bent by {precise(value)} at rest, by more than {precise(most)}: straighten it"
            yield Finding("rest-pre-bend", severity, message, value, most, int(joint))
            continue
        if bends.right_way[joint] < 0:
            message = (
                f"{name} is bent the wrong way at rest, by {precise(-value)} (so says "
                f"{bends.way_from[joint]}): "
            )
        else:
            message = f"{name} is bent by {precise(value)} at rest, too little to show a way: "
        move = _move(skeleton, rest, int(joint), value)
        message += (
            f"bend it by {precise(GOOD_BEND_DEG)}"
            if move is None
            else f"move it by {move_in_words(move)}, so that it bends by {precise(GOOD_BEND_DEG)}"
        )
        yield Finding("rest-pre-bend", severity, message, value, least, int(joint))


def _move(skeleton: Skeleton, rest: RestMeasures, joint: int, bend: float) -> np.ndarray | None:
    """Return the move (3,) of a joint that bends it well; None where no way is known."""
    parent, child = skeleton.parents[joint], rest.limbs.child[joint]
    if parent < 0 or child < 0 or not rest.facing_sure:
        return None
    places = rest.world.positions
    first, second = places[joint] - places[parent], places[child] - places[joint]
    line = first + second
    line = line / max(float(np.linalg.norm(line)), 1e-300)
    ahead = rest.facing - line * (rest.facing @ line)
    size = float(np.linalg.norm(ahead))
    if size < 0.5:
        return None
    # Small angles: a joint that is off its line by h bends by h/a + h/b.
    a, b = float(np.linalg.norm(first)), float(np.linalg.norm(second))
    now = 0.0 if bend <= NO_BEND_DEG and rest.bends.right_way[joint] == 0 else bend
    step = np.deg2rad(GOOD_BEND_DEG - now) * a * b / max(a + b, 1e-300)
    # What is below swings backward when the joint itself goes forward, and the other way round.
    return np.asarray(-rest.bends.named[joint] * step * ahead / size)


def _examples() -> tuple[Resting, Resting]:
    straight = {"L_Shin": (0.0, 0.0, -0.02 + 1e-4), "R_Shin": (0.0, 0.0, -0.02 + 1e-4)}
    return Resting(figure()), Resting(figure(moved=straight))


CHECK = RestCheck(
    name="rest-pre-bend",
    title="a knee or an elbow is straight, bent the wrong way, or bent too much",
    limits={"least": 0.5, "most": 15.0},
    run=run,
    examples=_examples,
)
