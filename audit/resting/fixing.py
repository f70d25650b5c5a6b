"""From the rest pose to an offsets sheet that mends its axes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.rest import axis_corrections
from audit.resting.examination import RestExamination
from audit.rotations import rotation_vector_from_quaternion
from audit.sheet import Offset, Sheet, joint_labels

Array = npt.NDArray[np.float64]

ABOUT_LIMB = 1e-6
"""How far the axis of a turn may be from the limb, as a distance of unit vectors, to be a twist about it."""

NOTHING = "its axes are in order at rest"
ROOT = "a root: its axes are the world's business"
LEFT_ALONE = "the policy asks for no turn of its axes"
NO_REST_ROTATIONS = "the format has no rest rotations: there are no axes to mend"


def fixing_sheet(examined: RestExamination) -> Sheet:
    """Return the offsets that mend the axes of a rest pose: one row a joint, most of them without a turn.

    What is only turned about its limb gets a twist offset, everything else a full offset. Nothing is moved.

    Notes
    -----
    The turns are those of :func:`audit.rest.axis_corrections`; the reason names the checks that ask for each.
    Under a policy its limits hold, and what it has switched off or waived asks for nothing.
    """
    axes, reasons = examined.corrections
    skeleton = examined.skeleton
    usual = reasons
    if examined.ruling is not None:
        _, usual = axis_corrections(skeleton, examined.measures)
    rows = []
    for joint, label in enumerate(joint_labels(skeleton)):
        limb = skeleton.limb_axes[joint]
        stated = None if np.isnan(limb[0]) else (float(limb[0]), float(limb[1]), float(limb[2]))
        because = reasons[joint]
        if because is None:
            why = ROOT if skeleton.parents[joint] < 0 else NOTHING
            why = LEFT_ALONE if usual[joint] is not None else why
            why = why if examined.measures.has_axes else NO_REST_ROTATIONS
            rows.append(Offset(label, limb_axis=stated, reason=why))
            continue
        twist = _twist_deg(axes[joint], limb)
        x, y, z, w = axes[joint].tolist()
        rows.append(
            Offset(
                label,
                limb_axis=stated,
                twist_offset_deg=twist,
                full_offset_xyzw=(x, y, z, w) if twist is None else None,
                reason=because,
            )
        )
    return Sheet(tuple(rows))


def _twist_deg(turn: Array, limb: Array) -> float | None:
    """Return a turn (4,) as degrees about the limb (3,), None where it is not only about that."""
    vector = rotation_vector_from_quaternion(turn)
    angle = float(np.linalg.norm(vector))
    if np.isnan(limb[0]) or angle == 0.0:
        return None
    along = float(vector @ limb)
    if np.linalg.norm(vector / angle - np.sign(along) * limb) > ABOUT_LIMB:
        return None
    return float(np.rad2deg(along))
