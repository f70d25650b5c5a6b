"""From what was measured to the rows of an offsets sheet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.conventions import AXES
from audit.errors import UsageError
from audit.measures import Cost, Measures
from audit.model import Skeleton
from audit.sheet.rows import Offset, Sheet, joint_labels
from audit.wording import degrees, interval_in_words, plural

ON_ONE_CHANNEL = "moves on one channel already"

WORTH_A_TURN = 0.95
"""Turning axes changes every curve of a joint. It is suggested where fewer channels move afterwards, or where
less than this share of the edit keys is left. Our choice."""


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
    Each joint is told by the shot that is surest of it: the one with the narrowest twist interval. Turning axes
    changes every curve of a joint, so an offset is given only where it gains something over all shots: fewer
    moving channels, or a twentieth of the edit keys. The full offset is given where no principal axis lies
    along the limb and it gains that much over the twist alone.
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
    told = [measures for measures in measured if measures.has_offset[joint]]
    now, twist, full = (
        _spent([getattr(measures, stage) for measures in told], joint)
        for stage in ("now", "after_twist", "after_full")
    )
    aimed = float(best.aim_error_deg[joint]) > best.settings.aim_limit_deg
    whole = aimed and _gains(twist, full)
    low, high = (float(value) for value in best.twist_interval_deg[joint])
    offset = float(best.twist_offset_deg[joint])
    reordered = order != best.orders[joint] and best.orders_from[joint] != "best"
    reason = None
    if now[0] <= 1:
        reason = ON_ONE_CHANNEL
    elif not (_gains(now, twist) or _gains(now, full)):
        reason = (
            f"turning it would gain nothing: {plural(now[1], 'edit key')} now, "
            f"{min(twist[1], full[1]):,} afterwards"
        )
    elif low <= 0.0 <= high and not whole and twist[0] >= now[0] and not reordered:
        reason = (
            f"its axes may be right as they are: {degrees(offset)} about the limb, "
            f"somewhere from {interval_in_words(low, high)}"
        )
    if reason is not None:
        return Offset(
            label,
            limb_axis=axis,
            target_axis=target,
            advised_order=order,
            range_deg=seen,
            reason=reason,
        )
    known = not np.isnan(low)
    axes = best.full_offset_xyzw[joint].tolist()
    left = full[0] if whole or not aimed else min(twist[0], full[0])
    return Offset(
        label,
        limb_axis=axis,
        twist_offset_deg=offset,
        twist_low_deg=low if known else None,
        twist_high_deg=high if known else None,
        full_offset_xyzw=(axes[0], axes[1], axes[2], axes[3]) if whole else None,
        target_axis=target,
        advised_order=order,
        range_deg=seen,
        reason=None if left <= 1 else f"{plural(left, 'channel')} will still move",
    )


Spent = tuple[int, int]


def _spent(costs: Sequence[Cost], joint: int) -> Spent:
    """Return the most channels that move in any of some shots, and the edit keys in all of them."""
    most = max(int(cost.moving_channels[joint]) for cost in costs)
    return most, sum(int(cost.edit_keys[joint]) for cost in costs)


def _gains(before: Spent, after: Spent) -> bool:
    """Tell whether one state is worth turning axes for, seen from another."""
    return after[0] < before[0] or after[1] < WORTH_A_TURN * before[1]


def _uncertainty(measures: Measures, joint: int) -> tuple[int, float, float]:
    """Return what sorts the surest shot first: by its interval, without one by its range."""
    if not measures.has_offset[joint]:
        return 2, 0.0, -float(measures.range_deg[joint])
    low, high = measures.twist_interval_deg[joint]
    width = float(high - low)
    unknown = bool(np.isnan(width))
    return int(unknown), 0.0 if unknown else width, -float(measures.range_deg[joint])
