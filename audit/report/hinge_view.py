"""The hinge axis against a joint's own axes, as one sees it when looking along the limb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.measures.offsets import aim_error
from audit.report.plans import Plan
from audit.results import Row
from audit.rotations import quaternion_between, rotate

Array = npt.NDArray[np.float64]
Point = tuple[float, float]

LEAST_SHADOW = 0.5
"""Axes whose shadow across the limb is shorter than this are the one that lies along it."""


@dataclass(frozen=True, slots=True)
class HingeView:
    """A view along the limb, from the joint towards its child, and what it takes to draw one from the side.

    Attributes
    ----------
    axes
        Letter and end point of each positive axis of the joint: to the right and downwards, 1 for an axis that
        lies wholly across the limb. The axis that is nearest to the hinge lies horizontally.
    hinge
        End point of the hinge axis, likewise.
    turn_deg
        Turn about the limb; clockwise where positive, as one sees it. None where there is none.
    wedge_deg
        Interval of the turn, None where there is none.
    aimed
        Whether the axes are drawn as they lie after the aim.
    aim_deg, aim_axis
        Angle between the limb and the joint's nearest axis, and the name of that.
    lean_deg
        Angle between the hinge axis and the plane across the limb, positive where it leans towards the child.
    """

    axes: tuple[tuple[str, Point], ...]
    hinge: Point | None
    turn_deg: float | None
    wedge_deg: tuple[float, float] | None
    aimed: bool
    aim_deg: float
    aim_axis: str
    lean_deg: float | None


def hinge_view(row: Row, plan: Plan) -> HingeView | None:
    """Return the view along the limb of a joint.

    Parameters
    ----------
    row
        A joint row of the results.
    plan
        What it asks for.

    Returns
    -------
    HingeView or None
        None where the joint has no limb axis or is no hinge.
    """
    if row["limb_axis"] is None or row["hinge_axis"] is None:
        return None
    limb, hinge = np.array(row["limb_axis"]), np.array(row["hinge_axis"])
    error, half_axis = aim_error(limb[:, None])
    frame = np.eye(3)
    if plan.aim is not None:
        aimed = quaternion_between(half_axis, limb[:, None])[:, 0]
        frame = np.stack([rotate(aimed, axis) for axis in frame.T], axis=1)
    turn = plan.turn_deg if plan.aim is not None else row["twist_offset_deg"]
    right, down = _screen(frame, limb, hinge, 0.0 if turn is None else turn)

    def seen(vector: Array) -> Point:
        return float(vector @ right), float(vector @ down)

    interval = row["twist_interval_deg"]
    nearest = int(np.argmax(np.abs(half_axis[:, 0])))
    sign = "+" if half_axis[nearest, 0] > 0 else "−"
    return HingeView(
        axes=tuple((AXES[place], seen(frame[:, place])) for place in range(3)),
        hinge=seen(hinge),
        turn_deg=turn,
        wedge_deg=(interval[0], interval[1]) if interval and plan.aim is None else None,
        aimed=plan.aim is not None,
        aim_deg=float(np.rad2deg(error[0])),
        aim_axis=f"{sign}{AXES[nearest]}",
        lean_deg=float(np.rad2deg(np.arcsin(np.clip(hinge @ limb, -1.0, 1.0)))),
    )


def _screen(frame: Array, limb: Array, hinge: Array, turn_deg: float) -> tuple[Array, Array]:
    """Return the directions (3,) that are drawn to the right and downwards.

    To the right lies the shadow of the axis from which a turn by ``turn_deg`` leads to the hinge, which is a
    line and has no ends. Downwards is a right-handed quarter turn about the limb from there, so that such turns
    are seen clockwise.
    """
    best, right = np.inf, np.zeros(3)
    for axis in frame.T:
        flat = axis - limb * (axis @ limb)
        size = float(np.linalg.norm(flat))
        if size < LEAST_SHADOW:
            continue
        flat = flat / size
        angle = np.rad2deg(np.arctan2(hinge @ np.cross(limb, flat), hinge @ flat))
        miss = abs((angle - turn_deg + 90.0) % 180.0 - 90.0)
        if miss < best - 1e-6:
            best, right = miss, flat
    return right, np.cross(limb, right)
