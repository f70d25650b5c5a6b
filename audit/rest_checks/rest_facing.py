"""The character does not face straight along an axis, leans, or faces another way than its shots.

## What it finds

A facing direction that is off the direction it should have: the stated one, else the nearest axis of
the world. A mirror plane that leans against the up axis. Shots that face another way than the rig.

## Why it matters

Common practice, no source: a character faces along a principal axis and stands upright. Every turn that
is left in the rest pose is on all three channels of everything that is placed in the world.

## Formula

The facing direction lies in the mirror plane, at right angles to the up axis. The mirror plane is
found from the pairs, its side from the names of left and right, else from the toes. The turn is
right-handed about the up axis. The lean is the angle between the mirror plane and the up axis.

## Limit and its source

`turn`: degrees, our choice.

## What to do

Turn the whole rig by the stated angle, and freeze it, before animation starts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.sample import figure
from audit.rest.trunk import twist_between
from audit.rest.words import precise, up_in_words
from audit.wording import axis_in_words


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for the direction, one for the lean and one for the shots."""
    limit = limits["turn"]
    if np.isnan(rest.facing[0]):
        return
    about = f"about {up_in_words(rest.up)}"
    turn = _turn(rest.facing, rest.forward, rest.up)
    if abs(turn) > limit:
        message = (
            f"The rig faces {precise(abs(turn))} away from {axis_in_words(rest.forward)} "
            f"({rest.facing_from}): turn the whole rig by {precise(turn)} {about}"
        )
        yield Finding("rest-facing", "fix", message, turn, limit)
    lean = float(np.rad2deg(np.arcsin(np.clip(rest.pairs.normal @ rest.up, -1.0, 1.0))))
    if abs(lean) > limit:
        message = (
            f"The rig leans to one side by {precise(abs(lean))}: turn the whole rig by {precise(lean)} "
            f"about the direction it faces, {axis_in_words(rest.facing)}"
        )
        yield Finding("rest-facing", "fix", message, lean, limit)
    if rest.shots_forward is not None:
        apart = _turn(rest.facing, rest.shots_forward, rest.up)
        if abs(apart) > limit:
            message = (
                f"The shots face {axis_in_words(rest.shots_forward)}, the rig does not: "
                f"turn the whole rig by {precise(apart)} {about}"
            )
            yield Finding("rest-facing", "fix", message, apart, limit)


def _turn(start: np.ndarray, end: np.ndarray, up: np.ndarray) -> float:
    """Return the turn in degrees about the up axis from one direction to another."""
    return float(twist_between(start[None], end[None], up[None])[0])


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(facing_deg=3.0))


CHECK = RestCheck(
    name="rest-facing",
    title="the character does not face along an axis, or shots and rig disagree",
    limits={"turn": 1.0},
    run=run,
    examples=_examples,
)
