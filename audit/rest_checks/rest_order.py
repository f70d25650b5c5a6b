"""Rotation orders differ between left and right or along a chain, or have a hinge on the outside.

## What it finds

Pairs with two orders; joints with another order than most of their chain; knees and elbows whose hinge
channel is the outermost of their order. Joints without a stated order are passed over.

## Why it matters

The same numbers in two orders are two poses: a pose cannot be mirrored by copying values. A hinge on the
outermost channel carries the two inner ones round with it, so that any small correction made there turns
with the bend.

## Formula

Orders are compared letter by letter. The hinge channel is the principal axis, of the two across the limb,
nearest to the normal of the rest bend.

## Limit and its source

`differing`: how many may differ, our choice: none. Left and right must be mended; a chain or a hinge is worth
a look.

## What to do

Set the order that the message names before animation starts. Curves that were made in one order are wrong
in another.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import numpy as np

from audit.conventions import AXES
from audit.measures.offsets import orders_with_inner
from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.bends import LEAST_BEND_DEG
from audit.rest.sample import figure


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a finding for each joint whose order stands out."""
    limit = limits["differing"]
    if not limit < 1.0:
        return
    orders, partner = skeleton.orders, rest.pairs.partner
    usual = _usual(skeleton, rest)
    told = set()
    for left in rest.pairs.left:
        right = int(partner[left])
        if None in (orders[left], orders[right]) or orders[left] == orders[right]:
            continue
        # The side that differs from its own chain is the odd one; the right one where neither or both do.
        joint, other = right, int(left)
        if orders[left] != usual[left] and orders[right] == usual[right]:
            joint, other = other, joint
        told |= {int(left), right}
        message = (
            f"{skeleton.names[joint]} has the rotation order {orders[joint]}, {skeleton.names[other]} has "
            f"{orders[other]}: set it to {orders[other]}"
        )
        yield Finding("rest-order", "fix", message, 1.0, limit, joint)
    hinge = _hinge_axes(rest)
    for joint, order in enumerate(orders):
        if order is None or joint in told:
            continue
        name = skeleton.names[joint]
        if hinge[joint] >= 0 and order[0] == AXES[hinge[joint]]:
            advised = " or ".join(orders_with_inner(int(hinge[joint])))
            message = (
                f"{name} bends about {AXES[hinge[joint]]}, the outermost channel of its rotation order "
                f"{order}: set it to {advised}, which have it innermost"
            )
            yield Finding("rest-order", "look", message, 1.0, limit, joint)
        elif usual[joint] is not None and order != usual[joint]:
            message = (
                f"{name} has the rotation order {order}, most joints of its chain {usual[joint]}: set it to "
                f"{usual[joint]}"
            )
            yield Finding("rest-order", "look", message, 1.0, limit, joint)


def _usual(skeleton: Skeleton, rest: RestMeasures) -> list[str | None]:
    """Return the order that most joints of each joint's chain have, None where no order has a majority."""
    result: list[str | None] = [None] * len(skeleton)
    for chain in np.unique(rest.limbs.chain):
        joints = np.flatnonzero(rest.limbs.chain == chain)
        stated = Counter(order for j in joints if (order := skeleton.orders[j]) is not None)
        if not stated:
            continue
        order, count = stated.most_common(1)[0]
        if 2 * count > stated.total():
            for joint in joints:
                result[joint] = order
    return result


def _hinge_axes(rest: RestMeasures) -> np.ndarray:
    """Return the axis (J,) that each named hinge bends about, −1 where there is none near enough to one."""
    bends = rest.bends
    near = np.abs(np.nan_to_num(bends.plane_deg, nan=90.0)) < 20.0
    known = (bends.named != 0) & (bends.bend_deg >= LEAST_BEND_DEG) & near
    return np.where(known, np.argmax(np.abs(bends.plane_axis), axis=1), -1)


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(orders={"L_Shin": "YXZ"}))


CHECK = RestCheck(
    name="rest-order",
    title="rotation orders differ between left and right or along a chain",
    limits={"differing": 0.0},
    run=run,
    examples=_examples,
)
