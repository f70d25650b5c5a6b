"""Left and right are not mirrored: in place, in limb direction, or in axes.

## What it finds

Pairs of which one joint is not where the mirror image of the other is, and pairs whose axes are set up in
another way than those of most pairs. It says whether the two sides swing the same way for the same
positive value, and which turn separates them. What is only carried along by the joints above is not named.

## Why it matters

A pose is mirrored by copying values. Where the sides are set up alike, that is all there is to it; where
one joint is turned by 90° or 180° about its limb, its values mean something else. Common practice, no
source: turning a joint by 180° about the limb is what a view from the other side leaves behind.

## Formula

Place: the distance from the right joint to the mirror image of the left one, divided by the height. Axes:
with the left axes `L`, the right axes `R` and the reflection `M`, the matrix `Rᵀ M L` is the same for all
pairs that are set up in one way, whichever that is. Its usual value is found from the pairs, and the
turn that a pair needs to have it is what is reported. Equal values on the k-th channel swing both sides
alike where the k-th diagonal number is −1 and opposite ways where it is 1.

## Limit and its source

`off`: percent of the height. `turn`: degrees. Both are our choice.

## What to do

The skeleton cannot say for sure which of the two is wrong: the one whose axes fit its own limb, bend and
neighbours worse is named. Move or turn it by the stated amount.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.conventions import AXES
from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.blame import blamed_side
from audit.rest.mirror import Deviations, reflection
from audit.rest.sample import figure
from audit.rest.words import move_in_words, percent, turn_about_in_words

NEAR_QUARTER_DEG = 2.0
"""A turn that is this near to 90° or 180° is said to be about that."""


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each pair that is out of place, and for each whose axes are turned."""
    if rest.mirror is None or rest.world.height <= 0.0:
        return
    for row, left in enumerate(rest.mirror.left):
        own = rest.mirror.place_own[row]
        share = 100.0 * float(np.linalg.norm(own)) / rest.world.height
        if share > limits["off"]:
            joint = blamed_side(skeleton, rest, int(left))
            back = -own if joint != left else own @ reflection(rest.pairs.normal)
            name, other = _names(skeleton, rest, joint)
            message = (
                f"{name} and {other} are not mirrored in place, by {percent(share)} of the height: move "
                f"{name} by {move_in_words(back)}"
            )
            yield Finding("rest-mirror", "fix", message, share, limits["off"], joint)
        turn = np.rad2deg(rest.mirror.turn_own[row])
        angle = float(np.linalg.norm(turn))
        if rest.has_axes and angle > limits["turn"]:
            joint = blamed_side(skeleton, rest, int(left))
            message = _turned(skeleton, rest, rest.mirror, row, joint, turn)
            yield Finding("rest-mirror", "fix", message, angle, limits["turn"], joint)


def _names(skeleton: Skeleton, rest: RestMeasures, joint: int) -> tuple[str, str]:
    return skeleton.names[joint], skeleton.names[rest.pairs.partner[joint]]


def _turned(
    skeleton: Skeleton,
    rest: RestMeasures,
    mirror: Deviations,
    row: int,
    joint: int,
    turn: np.ndarray,
) -> str:
    """Return the message on a pair whose axes, or whose limbs, are turned against each other."""
    name, other = _names(skeleton, rest, joint)
    axes = rest.world.axes
    back = -turn
    if joint != mirror.right[row]:
        # The left axes are turned along with the right ones: R = M L Uᵀ T gives L' = L (Uᵀ T U), and the
        # vector of a turn seen in a mirror changes its sign.
        back = -mirror.usual.T @ turn
    limb = axes[joint].T @ rest.limbs.limb[joint]
    how = turn_about_in_words(back, None if np.isnan(limb[0]) else limb)
    angle = float(np.linalg.norm(turn))
    quarter = 90.0 * round(angle / 90.0)
    apart = ""
    if quarter and abs(angle - quarter) < NEAR_QUARTER_DEG:
        apart = f", {quarter:.0f}° apart"
    image = axes[mirror.right[row]].T @ reflection(rest.pairs.normal) @ axes[mirror.left[row]]
    if mirror.carries[row]:
        return f"{name} and {other} are not mirrored in limb direction: turn {name} with all below it by {how}"
    return (
        f"{name} and {other} are not mirrored in their axes{apart}: {_swings(image)}; turn the axes of "
        f"{name} by {how}, joints below it staying where they are"
    )


def _swings(image: np.ndarray) -> str:
    """Return which channels swing both sides alike for the same positive value."""
    words = []
    for axis, letter in enumerate(AXES):
        value = image[axis, axis]
        if abs(value) < 0.7:
            words.append(f"{letter} swings the two about different axes")
        else:
            words.append(f"{letter} swings them {'alike' if value < 0.0 else 'opposite ways'}")
    return "for the same positive value " + ", ".join(words)


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(turned={"R_Forearm": (180.0, 0.0, 0.0)}))


CHECK = RestCheck(
    name="rest-mirror",
    title="left and right are not mirrored",
    limits={"off": 0.1, "turn": 0.5},
    run=run,
    examples=_examples,
)
