"""Names of joints repeat, differ in case only, or do not match between left and right.

## What it finds

Names that stand for several joints; names that are the same but for capitals; partners by place whose
names are not the same but for the mark of their side; joints that stand on the other side than their name
says.

## Why it matters

Shots, poses and corrections find their joints by name. A name that repeats finds the wrong one, and one
that differs in case finds none, on some systems. What has no partner by name is left out when a pose is
mirrored.

## Formula

Marks of left and right are words of their own, in any case, anywhere in the name: left and right, l and r,
lf and rt. Partners by place are joints that stand where each other's mirror image is, below the same
parent or below partners.

## Limit and its source

`others`: how many others may share a name, or be at odds with it; none, our choice.

## What to do

Rename the joint as the message says, in the rig and in all shots at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import numpy as np

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.sample import figure
from audit.wording import plural

FAR = 0.01
"""A joint is on the wrong side only from this share of the height on."""


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint whose name is at fault."""
    limit = limits["others"]
    names = skeleton.names
    exact, folded = Counter(names), Counter(name.casefold() for name in names)
    spellings = {name.casefold(): name for name in reversed(names)}
    seen: set[str] = set()
    for joint, name in enumerate(names):
        repeats = exact[name] - 1
        alike = folded[name.casefold()] - exact[name]
        if name not in seen and repeats > limit:
            message = (
                f"The name {name} stands for {plural(exact[name], 'joint')}: give each its own"
            )
            yield Finding("rest-names", "fix", message, float(repeats), limit, joint)
        elif name not in seen and alike > limit and spellings[name.casefold()] != name:
            message = (
                f"The name {name} differs from {spellings[name.casefold()]} in capitals only: "
                "give it another"
            )
            yield Finding("rest-names", "fix", message, float(alike), limit, joint)
        seen.add(name)
    if limit < 1.0:
        yield from _sides(skeleton, rest, limit)


def _sides(skeleton: Skeleton, rest: RestMeasures, limit: float) -> Iterator[Finding]:
    """Yield a finding for each pair whose names do not match, or are on each other's side."""
    pairs, names = rest.pairs, skeleton.names
    for left, right in zip(pairs.left.tolist(), pairs.right.tolist(), strict=True):
        if pairs.found_by[left] == "place" and (pairs.mark[left] or pairs.mark[right]):
            joint, other = (left, right) if pairs.mark[right] else (right, left)
            message = (
                f"{names[joint]} and {names[other]} are partners by their places, but their names "
                f"do not match: rename {names[joint]} or {names[other]}"
            )
            yield Finding("rest-names", "fix", message, 1.0, limit, joint)
            continue
        if not pairs.has_plane or pairs.mark[left] == 0:
            continue
        ends = rest.world.positions[[left, right]] @ pairs.normal - pairs.distance
        if ends[0] < -FAR * rest.world.height and ends[1] > FAR * rest.world.height:
            message = (
                f"{names[left]} stands on the right and {names[right]} on the left: exchange their names, or "
                "their places"
            )
            yield Finding("rest-names", "fix", message, 1.0, limit, left)
    for joint in np.flatnonzero((pairs.mark != 0) & (pairs.partner < 0)):
        side = "right" if pairs.mark[joint] > 0 else "left"
        message = f"{names[joint]} has no partner on the {side}"
        yield Finding("rest-names", "note", message, 1.0, limit, int(joint))


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(renamed={"L_Forearm": "L_Foream"}))


CHECK = RestCheck(
    name="rest-names",
    title="names repeat, differ in case only, or do not match between left and right",
    limits={"others": 0.0},
    run=run,
    examples=_examples,
)
