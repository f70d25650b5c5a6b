"""From an offsets sheet to the new axes of a rig's joints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

import numpy as np
import numpy.typing as npt

from audit.errors import FormatError
from audit.model import Skeleton
from audit.rotations import quaternion_from_rotation_vector
from audit.sheet.rows import Offset, Sheet, joint_labels

Array = npt.NDArray[np.float64]
Only = Literal["twist", "full"]

LIMB_AGREES_DEG = 1.0
"""How far the limb axis in a sheet may be from the rig's: beyond it the sheet was made for other axes."""


@dataclass(frozen=True, eq=False)
class Wanted:
    """What a sheet asks of a rig.

    Attributes
    ----------
    axes : (J, 4)
        New axes of each joint as quaternions in its present ones; identity for those that stay.
    orders
        Rotation orders by joint.
    missing
        Names in the sheet that the rig does not have.
    """

    axes: Array
    orders: dict[int, str]
    missing: tuple[str, ...]


def wanted_axes(
    sheet: Sheet, skeleton: Skeleton, only: Only | None = None, *, carried: bool = False
) -> Wanted:
    """Return the new axes that a sheet asks for.

    Parameters
    ----------
    sheet
        The sheet.
    skeleton
        The rig.
    only
        ``twist`` takes the twist offsets alone, ``full`` the full offsets alone. Without it a row's full offset
        counts where it has one, else its twist offset.
    carried
        True for formats without rest rotations. The turn of a parent remains in the channels there, so that a
        child without an offset takes up its order too, and one that only twists as well.

    Raises
    ------
    FormatError
        Where none of the sheet's joints is in the rig, or a limb axis is not the rig's, with the row.
    """
    places = {label: place for place, label in enumerate(joint_labels(skeleton))}
    axes = np.tile([0.0, 0.0, 0.0, 1.0], (len(skeleton), 1))
    stated: dict[int, str] = {}
    asked = set()
    missing = []
    for row in sheet.rows:
        joint = places.get(row.joint)
        if joint is None:
            if row.turns:
                missing.append(row.joint)
            continue
        axes[joint] = _axes_of(row, sheet, skeleton, joint, only)
        if _asks(row, only):
            asked.add(joint)
        if row.advised_order is not None:
            stated[joint] = row.advised_order
    if missing and len(missing) == sum(row.turns for row in sheet.rows):
        raise _no_joint_is_there(sheet, missing, skeleton.names)
    above = np.where(skeleton.parents >= 0, axes[skeleton.parents, 3], 1.0)
    orders = {
        joint: order
        for joint, order in stated.items()
        if (joint in asked and (carried or only != "twist")) or (carried and above[joint] != 1.0)
    }
    return Wanted(axes, orders, tuple(missing))


def _asks(row: Offset, only: Only | None) -> bool:
    """Tell whether a row asks for anything of what is taken."""
    if only == "full":
        return row.full_offset_xyzw is not None
    return row.twist_offset_deg is not None if only == "twist" else row.turns


def _axes_of(row: Offset, sheet: Sheet, skeleton: Skeleton, joint: int, only: Only | None) -> Array:
    """Return the new axes (4,) of one joint."""
    own = skeleton.limb_axes[joint]
    if row.limb_axis is not None and row.turns and not np.isnan(own[0]):
        stated = np.array(row.limb_axis) / np.linalg.norm(row.limb_axis)
        apart = np.rad2deg(2.0 * np.arcsin(min(0.5 * float(np.linalg.norm(stated - own)), 1.0)))
        if apart > LIMB_AGREES_DEG:
            raise FormatError(
                f"the limb axis of {row.joint} is {apart:.1f}° away from the rig's",
                path=sheet.file or None,
                where=f"row {row.line}, column limb_axis_x" if row.line else None,
                hint="The sheet was made for other axes: make a new one with `hinge-audit suggest`, or clear "
                "the limb axis to turn about the rig's own",
            )
    if row.full_offset_xyzw is not None and only != "twist":
        full = np.array(row.full_offset_xyzw)
        unit: Array = full / np.linalg.norm(full)
        return unit
    if row.twist_offset_deg is None or only == "full":
        return np.array([0.0, 0.0, 0.0, 1.0])
    limb = own if row.limb_axis is None else np.array(row.limb_axis)
    if np.isnan(limb[0]):
        raise FormatError(
            f"{row.joint} has no limb in this rig that a twist could be about",
            path=sheet.file or None,
            where=f"row {row.line}, column twist_offset_deg" if row.line else None,
            hint="Give limb_axis_x, limb_axis_y and limb_axis_z, or clear the row",
        )
    limb = limb / np.linalg.norm(limb)
    turn: Array = quaternion_from_rotation_vector(limb * np.deg2rad(row.twist_offset_deg))
    return turn


def _no_joint_is_there(sheet: Sheet, missing: Sequence[str], names: Sequence[str]) -> FormatError:
    near = get_close_matches(missing[0], names, n=1, cutoff=0.5)
    also = f"; did you mean {near[0]}?" if near else ""
    return FormatError(
        f"none of its {len(missing)} joints with an offset is in the rig, such as {missing[0]}{also}",
        path=sheet.file or None,
        hint="Use the sheet that was made for this rig",
    )
