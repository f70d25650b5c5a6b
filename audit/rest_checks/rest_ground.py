"""The rig does not stand on the floor, or not over the origin.

## What it finds

A lowest joint, end point or skin point that is not at level 0 of the up axis; a mirror plane that does
not go through the origin; a root in front of the origin or behind it.

## Why it matters

Common practice, no source: feet on the floor, character in the middle. Placing, mirroring and
retargeting all start from the origin; a rig beside it drags a constant through every shot.

## Formula

Level of the lowest point, the distance of the mirror plane from the origin, and the root's distance
along the facing direction, each divided by the height (the largest
extent). Where there is no mirror plane, the root's
distance stands in for it.

## Limit and its source

`floor`: percent of the height, our choice. A point below the floor, a skin above it, and a mirror plane
beside the origin must be mended. Joints above the floor are worth a look where there is no skin, as the
sole is below them; so is a root before or behind the origin, and everything where the up axis was only
guessed. A root that is exactly at the origin with the body hanging below it has no rest place of its
own, as in formats that keep it in the motion: that is a note.

## What to do

Move the whole rig by the stated amount, before animation starts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting, Severity
from audit.rest import RestMeasures
from audit.rest.sample import figure
from audit.rest.words import move_in_words, percent

HANGING = 0.1
"""Share of the height that is below a root which stands at the origin because nobody placed it."""


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for the floor, one for the middle and one for the depth."""
    limit = limits["floor"]
    if rest.world.height <= 0.0:
        return
    share = 100.0 * rest.low / rest.world.height
    if abs(share) > limit:
        root = rest.world.positions[0]
        unplaced = not np.any(root) and rest.low < -HANGING * rest.world.height
        who = "a point of the skin" if rest.lowest < 0 else skeleton.names[rest.lowest]
        where = "above" if share > 0.0 else "below"
        message = (
            f"The lowest point, {who}, is {percent(abs(share))} of the height {where} the floor: "
            f"move the whole rig by {move_in_words(-rest.low * rest.up)}"
        )
        if unplaced:
            message += " (the root is at the origin, as where a file keeps its place in the motion)"
        certain = share < 0.0 or rest.lowest < 0
        severity: Severity = "fix" if certain and rest.up_sure else "look"
        yield Finding("rest-ground", "note" if unplaced else severity, message, share, limit)
    yield from _beside(rest, limit)


def _beside(rest: RestMeasures, limit: float) -> Iterator[Finding]:
    root = rest.world.positions[0]
    if rest.pairs.has_plane:
        share = 100.0 * rest.pairs.distance / rest.world.height
        if abs(share) > limit:
            message = (
                f"The middle of the rig is {percent(abs(share))} of the height beside the origin: move the "
                f"whole rig by {move_in_words(-rest.pairs.distance * rest.pairs.normal)}"
            )
            yield Finding("rest-ground", "fix", message, share, limit)
    ahead = rest.facing
    if np.isnan(ahead[0]):
        flat = root - rest.up * (root @ rest.up)
        length = float(np.linalg.norm(flat))
        ahead = flat / length if length > 0.0 else rest.up
    depth = float(root @ ahead)
    share = 100.0 * depth / rest.world.height
    if abs(share) > limit and abs(ahead @ rest.up) < 0.5:
        message = (
            f"The root is {percent(abs(share))} of the height away from the origin, seen from above: to put it "
            f"over the origin, move the whole rig by {move_in_words(-depth * ahead)}"
        )
        yield Finding("rest-ground", "look", message, share, limit)


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(moved={"Hips": (0.0, 0.0, 0.2)}))


CHECK = RestCheck(
    name="rest-ground",
    title="the rig does not stand on the floor over the origin",
    limits={"floor": 0.5},
    run=run,
    examples=_examples,
)
