"""What to do with a joint: read off the results, so that page, pictures and terminal say the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from audit.conventions import AXES
from audit.measures.offsets import aim_error
from audit.report.words import (
    TELLS_NOTHING_CURVES,
    TELLS_NOTHING_DEG,
    Part,
    Sentence,
    signed_degrees,
)
from audit.results import Row
from audit.rotations import (
    conjugate,
    multiply,
    quaternion_between,
    rotation_vector_from_quaternion,
)
from audit.wording import degrees, plural

CHECKS_WITH_A_CARD = frozenset({"spread", "twist", "aim", "order"})
"""What a turn of the axes or another order can mend. Other checks have their say in the tables."""


def has_finding(row: Row, check: str, *severities: str) -> bool:
    """Tell whether a check found something on a joint, of any of these severities where some are given."""
    return any(
        finding["check"] == check and (not severities or finding["severity"] in severities)
        for finding in row["findings"]
    )


def is_flagged(row: Row) -> bool:
    """Tell whether a joint has a finding about its axes that asks for a mend or a look."""
    return any(has_finding(row, check, "fix", "look") for check in CHECKS_WITH_A_CARD)


@dataclass(frozen=True, slots=True)
class Plan:
    """Which corrections a joint needs, and their sizes.

    Attributes
    ----------
    joint
        Its name.
    turn_deg
        Turn about the limb; after the aim where there is one. None where no turn is asked for.
    aim
        Letter of the axis that must be aimed along the limb, with its sign, and by how many degrees; None where
        the aim does not matter.
    orders
        Present and advised rotation order where the order matters.
    """

    joint: str
    turn_deg: float | None = None
    aim: tuple[str, float] | None = None
    orders: tuple[str, str] | None = None

    @property
    def asks_for_something(self) -> bool:
        """Whether there is anything to do."""
        return self.turn_deg is not None or self.aim is not None or self.orders is not None

    @property
    def needs_more_than_twist(self) -> bool:
        """Whether a turn about the limb alone does not finish the job."""
        return self.aim is not None or self.orders is not None


def plan_of(row: Row) -> Plan:
    """Return what a joint row of the results asks for.

    Notes
    -----
    The findings decide. Where only the spread as a whole is worth a mend, and no single cause is, every cause
    that has a share in it is named.
    """
    joint = row["joint"]
    offset, causes = row["twist_offset_deg"], row["causes"]
    if offset is None or causes is None or not is_flagged(row):
        return Plan(joint)
    twist = has_finding(row, "twist", "fix", "look")
    aim, order = has_finding(row, "aim", "fix"), has_finding(row, "order", "fix")
    if not (twist or aim or order) and has_finding(row, "spread", "fix"):
        twist = abs(offset) >= TELLS_NOTHING_DEG
        aim = causes["aim"] > TELLS_NOTHING_CURVES
        order = causes["order"] > TELLS_NOTHING_CURVES
    orders = (row["rotation_order"], row["advised_order"])
    changed = orders if order and orders[0] != orders[1] else None
    if aim:
        axis, error, turn = aim_and_turn(row)
        turned = turn if abs(turn) >= TELLS_NOTHING_DEG else None
        return Plan(joint, turned, (axis, error), changed)
    return Plan(joint, offset if twist else None, None, changed)


def aim_and_turn(row: Row) -> tuple[str, float, float]:
    """Return the full correction of a joint as two steps.

    Parameters
    ----------
    row
        A joint row with a full correction.

    Returns
    -------
    axis
        The half-axis nearest to the limb, as "+Y" or "−Y".
    error
        Degrees by which it must swing, the shortest way, to lie along the limb.
    turn
        Degrees by which the axes must then turn about the limb, right-handed.
    """
    limb = np.array(row["limb_axis"])[:, None]
    error, half_axis = aim_error(limb)
    aimed = quaternion_between(half_axis, limb)
    twist = multiply(np.array(row["full_offset_xyzw"])[:, None], conjugate(aimed))
    turn = np.rad2deg(np.sum(rotation_vector_from_quaternion(twist) * limb))
    place = int(np.argmax(np.abs(half_axis[:, 0])))
    sign = "+" if half_axis[place, 0] > 0 else "−"
    return f"{sign}{AXES[place]}", float(np.rad2deg(error[0])), float(turn)


def planned_stage(row: Row) -> dict[str, Any] | None:
    """Return what a joint costs once its plan is carried out, None where nothing is planned."""
    plan = plan_of(row)
    if not plan.asks_for_something:
        return None
    stage: dict[str, Any] = row["after_full" if plan.needs_more_than_twist else "after_twist"]
    return stage


def instruction(plan: Plan, further: Sequence[str] = ()) -> Sentence:
    """Return what to do with a joint as a sentence without a full stop.

    Parameters
    ----------
    plan
        What it asks for.
    further
        Names of joints below it that need just the same.
    """
    name = [Part(plan.joint, "name")]
    if len(further) == 1:
        name += [Part(" and "), Part(further[0], "name")]
    elif further:
        name.append(Part(f" and of {plural(len(further), 'joint')} below it"))
    parts: list[Part] = []
    if plan.aim is not None:
        axis, error = plan.aim
        parts += [
            Part(f"Aim {axis} of "),
            *name,
            Part(" along the limb ("),
            Part(degrees(error), "angle"),
        ]
        parts += [Part(")")]
        if plan.turn_deg is not None:
            parts += [Part(", then turn the axes by "), Part(degrees(plan.turn_deg), "angle")]
            parts += [Part(" about it")]
    elif plan.turn_deg is not None:
        parts += [
            Part("Turn the axes of "),
            *name,
            Part(" by "),
            Part(degrees(plan.turn_deg), "angle"),
        ]
        parts += [Part(" about the limb")]
    if plan.orders is not None:
        present, advised = plan.orders
        order = f"from {present} to {advised}"
        if parts:
            parts.append(Part(f", and change its rotation order {order}"))
        else:
            parts += [Part("Change the rotation order of "), *name, Part(f" {order}")]
    return tuple(parts) or (Part("Leave "), *name, Part(" as it is"))


def in_short(plan: Plan) -> str:
    """Return what to do with a joint in a few words, for tables: "+33.1°", "aim +Y 12.0°, then −18.0°"."""
    steps = []
    if plan.aim is not None:
        steps.append(f"aim {plan.aim[0]} {degrees(plan.aim[1])}")
    if plan.turn_deg is not None:
        steps.append(signed_degrees(plan.turn_deg))
    order = [f"order {plan.orders[1]}"] if plan.orders is not None else []
    return ", ".join([", then ".join(steps)] * bool(steps) + order) or "leave as it is"
