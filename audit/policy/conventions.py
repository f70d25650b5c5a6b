"""What a policy wants of the axes of joints: as arrays for those who suggest offsets, and as findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.measures import Measures
from audit.model import Shot
from audit.plugins import Finding
from audit.policy.rules import JointRules, Policy
from audit.policy.vocabulary import BENDS, CONVENTION, EXPECTED_HINGE, HALF_AXES
from audit.wording import axis_in_words, degrees

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

CLEAR_BEND = 2.0
"""A hinge has a working direction where it turns this many times as far from rest that way (our choice)."""


@dataclass(frozen=True, eq=False)
class Targets:
    """What a policy wants of the axes of J joints.

    Attributes
    ----------
    limb_axis, hinge_axis : (J,)
        Principal axis (0 X, 1 Y, 2 Z) that is to lie along the limb, and to carry the hinge; −1 for any.
    limb_sign : (J,)
        1 where the positive half-axis is to point from the joint to its child, −1 where the negative one is,
        0 for either.
    bend_sign : (J,)
        1 where a bend is to turn the positive way, −1 the negative way, 0 for either.
    orders
        Rotation orders that are expected of each joint; empty for any.
    """

    limb_axis: Indices
    limb_sign: Indices
    hinge_axis: Indices
    bend_sign: Indices
    orders: tuple[tuple[str, ...], ...]


def targets_for(policy: Policy, names: Sequence[str]) -> Targets:
    """Return what a policy wants of the axes of joints, for those who suggest offsets.

    Parameters
    ----------
    policy
        The policy.
    names
        Names of J joints.
    """
    rules = [policy.for_joint(name) for name in names]
    limb = [HALF_AXES.get(each.value("limb_axis"), (-1, 0)) for each in rules]
    return Targets(
        limb_axis=np.array([axis for axis, _ in limb], dtype=np.int64),
        limb_sign=np.array([sign for _, sign in limb], dtype=np.int64),
        hinge_axis=np.array(
            [HALF_AXES.get(each.value("hinge_axis"), (-1, 0))[0] for each in rules], dtype=np.int64
        ),
        bend_sign=np.array([BENDS.get(each.value("bend"), 0) for each in rules], dtype=np.int64),
        orders=tuple(tuple(each.value("orders") or ()) for each in rules),
    )


def broken_conventions(
    shot: Shot, measures: Measures, rules: Sequence[JointRules]
) -> Iterator[Finding]:
    """Yield one finding for each joint that breaks a convention, with everything that is wrong with it.

    Parameters
    ----------
    shot, measures
        The shot and what was measured on it.
    rules
        What holds for each joint.

    Notes
    -----
    An axis breaks a convention where it is further than the limit ``angle`` from where it is wanted; beyond 45°
    another one is nearer. Hinge axis and bend are looked at on hinges that turn far enough for a suggestion
    and whose interval lies beyond the limit as a whole, and the sign of the bend only where the turn from rest
    one way is twice that the other way. Smaller errors are the business of ``aim`` and ``twist``.
    """
    for joint, name in enumerate(shot.skeleton.names):
        own = rules[joint]
        limit = own.limits(CONVENTION.name)["angle"]
        breaches = [
            *_limb(measures, joint, own, limit),
            *_hinge(measures, joint, own, limit),
            *_order(measures, joint, own),
        ]
        if breaches:
            angles = [angle for _, angle in breaches if angle is not None]
            yield Finding(
                CONVENTION.name,
                CONVENTION.severity,
                f"{name} breaks the policy's conventions: "
                + "; ".join(text for text, _ in breaches),
                max(angles, default=None),
                limit if angles else None,
                joint,
            )


Breach = tuple[str, float | None]


def _limb(measures: Measures, joint: int, own: JointRules, limit: float) -> Iterator[Breach]:
    wanted = own.value("limb_axis")
    limb = measures.limb_axis[joint]
    if wanted is None or np.isnan(limb[0]):
        return
    axis, sign = HALF_AXES[wanted]
    angle = _angle(limb, axis, sign)
    if angle > limit:
        now = axis_in_words(limb)
        yield (
            f"{_axis(axis, sign)} is to lie along the limb, which points to {now}, {degrees(angle)} away",
            angle,
        )


def _hinge(measures: Measures, joint: int, own: JointRules, limit: float) -> Iterator[Breach]:
    letter, bend = own.value("hinge_axis"), own.value("bend")
    hinge = measures.hinge_axis[joint]
    enough = measures.range_deg[joint] >= measures.settings.suggestion_range_deg
    if measures.kind[joint] != "hinge" or not enough or np.isnan(hinge[0]):
        return
    doubt = float(np.nan_to_num(measures.hinge_axis_interval_deg[joint], nan=0.0))
    nearest = int(np.argmax(np.abs(hinge)))
    axis = AXES.index(letter) if letter is not None else nearest
    if letter is not None:
        angle = _angle(hinge, axis, 0)
        if angle - doubt > limit:
            text = f"{letter} is to carry the hinge, whose axis is {axis_in_words(hinge)}"
            yield f"{text}, {degrees(angle)} away", angle
            return
    low, high = np.abs(measures.excursion_deg[joint])
    clear = max(low, high) >= CLEAR_BEND * min(low, high)
    if bend is not None and clear and hinge[axis] * BENDS[bend] < 0.0:
        angle = _angle(hinge, axis, BENDS[bend])
        if angle - doubt > limit:
            yield (
                f"a bend is to turn the {bend} way about {AXES[axis]}, and turns the other way",
                angle,
            )


def _order(measures: Measures, joint: int, own: JointRules) -> Iterator[Breach]:
    orders = own.value("orders")
    if not orders or measures.orders_from[joint] != "file" or measures.orders[joint] in orders:
        return
    yield (
        f"the rotation order is to be {' or '.join(orders)}, and is {measures.orders[joint]}",
        None,
    )


def hinges_that_are_none(
    shot: Shot, measures: Measures, rules: Sequence[JointRules]
) -> Iterator[Finding]:
    """Yield a finding for each joint that a policy wants as a hinge and that moves on several axes.

    Parameters
    ----------
    shot, measures, rules
        As for :func:`broken_conventions`.
    """
    for joint, name in enumerate(shot.skeleton.names):
        own = rules[joint]
        if own.value("hinge") is not True or measures.kind[joint] not in ("two-axis", "free"):
            continue
        if measures.range_deg[joint] < own.limits(EXPECTED_HINGE.name)["range"]:
            continue
        share = float(measures.shares[joint, 0])
        how = "on two axes" if measures.kind[joint] == "two-axis" else "freely"
        off = degrees(float(measures.off_axis_deg[joint]))
        message = (
            f"The policy wants {name} as a hinge, but it moves {how}: only {share:.0%} of its motion is on one "
            f"axis, {off} (root mean square) is off it"
        )
        yield Finding(
            EXPECTED_HINGE.name,
            EXPECTED_HINGE.severity,
            message,
            share,
            measures.settings.hinge_share,
            joint,
        )


def _axis(axis: int, sign: int) -> str:
    return {0: "", 1: "+", -1: "−"}[sign] + AXES[axis]


def _angle(direction: Array, axis: int, sign: int) -> float:
    """Return how far a unit vector is from a half-axis, in degrees; from the nearer of both where sign is 0."""
    along = float(direction[axis])
    across = float(np.linalg.norm(np.delete(direction, axis)))
    return float(np.rad2deg(np.arctan2(across, abs(along) if sign == 0 else sign * along)))
