"""From what was measured to the rows of an offsets sheet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.conventions import AXES
from audit.errors import UsageError
from audit.measures import Measures
from audit.model import Skeleton
from audit.sheet.rows import Offset, Sheet, joint_labels
from audit.wording import plural

NOTHING_TO_GAIN = "moves on one channel already"


def suggested(shots: Sequence[tuple[Skeleton, Measures]]) -> Sheet:
    """Return the offsets that shots of one rig suggest: one row a joint.

    Parameters
    ----------
    shots
        The rig as each shot has it, and what was measured on the shot.

    Raises
    ------
    UsageError
        Where there is no shot, or one of another rig.

    Notes
    -----
    Each joint is told by the shot that is surest of it: the one with the narrowest twist interval. A joint that
    moves on one channel in all shots gets no offset, since turning it would change every curve and gain
    nothing. The full offset is given where twist alone cannot finish the job, that is where no principal axis
    lies along the limb.
    """
    if not shots:
        raise UsageError("there is no shot to suggest from", hint="Give at least one shot")
    skeleton = shots[0][0]
    for other, _ in shots:
        if other.names != skeleton.names or np.any(other.parents != skeleton.parents):
            raise UsageError(
                "the shots have different joints", hint="Suggest for one rig at a time"
            )
    measured = [measures for _, measures in shots]
    labels = joint_labels(skeleton)
    return Sheet(
        tuple(_row(label, joint, measured) for joint, label in enumerate(labels)),
    )


def _row(label: str, joint: int, measured: Sequence[Measures]) -> Offset:
    best = min(measured, key=lambda measures: _uncertainty(measures, joint))
    limb = best.limb_axis[joint]
    seen = max(float(measures.range_deg[joint]) for measures in measured)
    axis = None if np.isnan(limb[0]) else (float(limb[0]), float(limb[1]), float(limb[2]))
    order = best.advised_order[joint]
    if not best.has_offset[joint]:
        reason = best.no_offset_because[joint]
        return Offset(label, limb_axis=axis, range_deg=seen, reason=reason)
    target = AXES[int(best.target_axis[joint])]
    most = max(int(measures.now.moving_channels[joint]) for measures in measured)
    if most <= 1:
        return Offset(
            label,
            limb_axis=axis,
            target_axis=target,
            advised_order=order,
            range_deg=seen,
            reason=NOTHING_TO_GAIN,
        )
    low, high = (float(value) for value in best.twist_interval_deg[joint])
    known = not np.isnan(low)
    aimed = float(best.aim_error_deg[joint]) > best.settings.aim_limit_deg
    full = best.full_offset_xyzw[joint].tolist()
    left = float(best.after_full.moving_channels[joint])
    return Offset(
        label,
        limb_axis=axis,
        twist_offset_deg=float(best.twist_offset_deg[joint]),
        twist_low_deg=low if known else None,
        twist_high_deg=high if known else None,
        full_offset_xyzw=(full[0], full[1], full[2], full[3]) if aimed else None,
        target_axis=target,
        advised_order=order,
        range_deg=seen,
        reason=None if left <= 1 else f"{plural(int(left), 'channel')} will still move",
    )


def _uncertainty(measures: Measures, joint: int) -> tuple[int, float, float]:
    """Return what sorts the surest shot first: by its interval, without one by its range."""
    if not measures.has_offset[joint]:
        return 2, 0.0, -float(measures.range_deg[joint])
    low, high = measures.twist_interval_deg[joint]
    width = float(high - low)
    unknown = bool(np.isnan(width))
    return int(unknown), 0.0 if unknown else width, -float(measures.range_deg[joint])
