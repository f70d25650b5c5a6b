"""One answer for a rig: offsets from the evidence of all its shots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.errors import UsageError
from audit.measures import offsets
from audit.measures.offsets import Convention
from audit.model import Shot, Skeleton
from audit.plugins import SEVERITIES, Finding, Rig
from audit.pool import Mirrored, PooledMeasures, advise, with_mirrored_offsets
from audit.rest import find_pairs
from audit.rig_checks import rig_checks
from audit.rotations import multiply
from audit.settings import Settings
from audit.sheet import Offset, Sheet, joint_labels
from audit.suggestion.evidence import RigEvidence, gather
from audit.suggestion.outlook import Outlook
from audit.wording import degrees, interval_in_words, plural

Array = npt.NDArray[np.float64]

ON_ONE_CHANNEL = "moves on one channel already"

TELLS_NOTHING_DEG = 0.05
"""A turn below this is none."""

HALF_A_PERCENT = 0.005
"""A smaller share of the time is not worth a word."""

WORTH_A_TURN = 0.95
"""Turning axes changes every curve of a joint. It is suggested where fewer channels move afterwards, where less
than this share of the edit keys is left, or where it surely takes more than the smallest motion that counts off
another channel; the keys of noise would hide that. Our choice."""


@dataclass(frozen=True, eq=False)
class Suggestion:
    """The offsets of a rig, and what they rest on.

    Attributes
    ----------
    sheet
        One row a joint.
    rig
        What all its shots say together; left and right in one where they agree.
    findings
        What the checks of a rig found, worst first.
    """

    sheet: Sheet
    rig: Rig
    findings: tuple[Finding, ...]


def suggest_rig(
    shots: Iterable[Shot], settings: Settings | None = None, convention: Convention | None = None
) -> Suggestion:
    """Return the offsets of the rig that some shots share.

    Parameters
    ----------
    shots
        Shots of one rig; they are gone through twice, and none is kept.
    settings
        Thresholds; the project's definitions where None.
    convention
        Which axes its joints are to have; the nearest ones where None.

    Raises
    ------
    UsageError
        Where there is no shot, or the shots are of several rigs.
    """
    return suggest_from(only_rig(gather(shots, settings)), shots, settings, convention)


def only_rig(rigs: Sequence[RigEvidence]) -> RigEvidence:
    """Return the one rig of some shots; UsageError where there is none or several."""
    if not rigs:
        raise UsageError("there is no shot to suggest from", hint="Give at least one shot")
    if len(rigs) > 1:
        raise UsageError(
            f"{rigs[1].label} and {rigs[0].label} are of different rigs: "
            f"{_difference(rigs[0].skeleton, rigs[1].skeleton)}",
            hint="Suggest for one rig at a time",
        )
    return rigs[0]


def suggest_from(
    evidence: RigEvidence,
    shots: Iterable[Shot],
    settings: Settings | None = None,
    convention: Convention | None = None,
) -> Suggestion:
    """Return the offsets of a rig.

    Parameters
    ----------
    evidence
        What its shots say.
    shots
        The same shots once more, for what the offsets would change in them.
    settings
        Thresholds; the project's definitions where None.
    convention
        Which axes its joints are to have; the nearest ones where None.

    Notes
    -----
    Turning axes changes every curve of a joint, so an offset is given only where it gains something over all
    shots: fewer moving channels, a twentieth of the edit keys, or more than the smallest motion that counts
    taken off another channel, whatever the interval's nearer end. The full offset is given where no principal
    axis lies along the limb and it gains that much over the twist alone. Where a convention asks for other
    axes, the offset is given whatever it gains.
    """
    skeleton = evidence.skeleton
    measures = evidence.pool.result(settings)
    pairs = find_pairs(skeleton)
    mirrored: Mirrored | None = None
    if pairs.has_plane and np.any(pairs.partner >= 0):
        measures, mirrored = with_mirrored_offsets(measures, skeleton, pairs.partner, pairs.normal)
    places = np.flatnonzero(measures.has_offset)
    plan = _Plan(measures, places, convention)
    outlook = Outlook(
        skeleton, places, plan.twist_axes, plan.full_axes, plan.target, measures.settings
    )
    if len(places):
        for shot in shots:
            outlook.add(shot)
    labels = joint_labels(skeleton)
    column = {int(joint): row for row, joint in enumerate(places)}
    hints = _advice(measures)
    rows = [
        replace(_row(label, joint, measures, plan, outlook, column.get(joint)), advice=hints[joint])
        for joint, label in enumerate(labels)
    ]
    if not evidence.has_rest_rotations:
        _carry(rows, skeleton.parents, plan, outlook, column)
    rig = Rig(
        skeleton=skeleton,
        has_rest_rotations=evidence.has_rest_rotations,
        shots=evidence.shots,
        measures=measures,
        pairs=pairs,
        mirrored=mirrored,
        drift_deg=evidence.drift_deg,
        drift_move=evidence.drift_move,
        drift_shots=evidence.drift_shots,
        drift_label=tuple(evidence.drift_label),
    )
    found = [finding for check in rig_checks().values() for finding in check.run(rig, check.limits)]
    found.sort(key=lambda finding: SEVERITIES.index(finding.severity))
    return Suggestion(Sheet(tuple(rows)), rig, tuple(found))


class _Plan:
    """The new axes of the joints with an offset, N of them."""

    def __init__(
        self, measures: PooledMeasures, places: npt.NDArray[np.int64], convention: Convention | None
    ) -> None:
        limb = measures.limb_axis[places].T
        self.twist = np.deg2rad(measures.twist_offset_deg[places])
        self.shift = np.zeros(len(places))
        self.target = measures.target_axis[places].copy()
        self.full_axes = measures.full_offset_xyzw[places].copy()
        limit = np.deg2rad(measures.settings.aim_limit_deg)
        self.aimed = np.deg2rad(measures.aim_error_deg[places]) > limit
        self.agreed = np.zeros(len(places), dtype=bool)
        if convention is not None and len(places):
            self._agree(measures.hinge_axis[places].T, limb, convention, places, float(limit))
        self.twist_axes = offsets.axes_after_twist(limb, self.twist).T

    def off_deg(self, column: int) -> float:
        """Return by how many degrees the axes of a joint would turn in all."""
        x, y, z, w = self.full_axes[column]
        return float(np.rad2deg(2.0 * np.arctan2(np.sqrt(x * x + y * y + z * z), abs(w))))

    def _agree(
        self,
        hinge: Array,
        limb: Array,
        convention: Convention,
        places: npt.NDArray[np.int64],
        limit: float,
    ) -> None:
        """Take up what is agreed for some of the joints."""
        own = Convention(
            convention.limb_axis[places],
            convention.limb_sign[places],
            convention.hinge_axis[places],
            convention.bend_sign[places],
        )
        self.agreed = (own.limb_axis >= 0) | (own.hinge_axis >= 0) | (own.bend_sign != 0)
        aim, twist, target = offsets.axes_by_convention(hinge, limb, own, limit)
        rows = self.agreed & (target >= 0)
        full = multiply(offsets.axes_after_twist(limb, twist), aim)
        self.shift = np.where(rows, twist - self.twist, 0.0)
        self.twist = np.where(rows, twist, self.twist)
        self.target = np.where(rows, target, self.target)
        self.aimed = np.where(rows, aim[3] != 1.0, self.aimed)
        self.full_axes = np.where(rows[:, None], full.T, self.full_axes)


def _row(
    label: str,
    joint: int,
    measures: PooledMeasures,
    plan: _Plan,
    outlook: Outlook,
    column: int | None,
) -> Offset:
    """Return the row of one joint."""
    limb = measures.limb_axis[joint]
    row = Offset(
        label,
        limb_axis=None if np.isnan(limb[0]) else (float(limb[0]), float(limb[1]), float(limb[2])),
        range_deg=float(measures.range_deg[joint]),
        reason=measures.no_offset_because[joint],
        shots=int(measures.moving_shots[joint]),
        mostly_from=_carriers(measures, joint),
    )
    if column is None:
        return row
    order, stage = outlook.advised_order(column)
    row = replace(row, target_axis=AXES[int(plan.target[column])], advised_order=order)
    now, twist, full = (_Spent(outlook, stage, column) for stage in (0, 1, stage))
    aimed, agreed = bool(plan.aimed[column]), bool(plan.agreed[column])
    whole = aimed and (agreed or twist.gains(full))
    low, high = (float(value) for value in measures.twist_interval_deg[joint])
    reason = None
    if not agreed:
        stated = outlook.stated[column]
        reordered = stated is not None and order != stated
        unsure = low <= 0.0 <= high and not whole and twist.moving >= now.moving and not reordered
        reason = _nothing_to_gain(now, twist, full, unsure, measures, joint)
        if _leaks(measures, joint) and now.moving > 1:
            reason = None
    if reason is not None:
        return replace(row, reason=reason)
    shift = float(np.rad2deg(plan.shift[column]))
    left = full.moving if whole or not aimed else min(twist.moving, full.moving)
    row = replace(
        row,
        twist_low_deg=None if np.isnan(low) else low + shift,
        twist_high_deg=None if np.isnan(low) else high + shift,
        reason=None if left <= 1 else f"{plural(left, 'channel')} will still move",
    )
    return _turning(row, plan, column, whole=whole)


def _turning(row: Offset, plan: _Plan, column: int, *, whole: bool) -> Offset:
    """Return a row that asks for its turn."""
    x, y, z, w = plan.full_axes[column].tolist()
    return replace(
        row,
        twist_offset_deg=float(np.rad2deg(plan.twist[column])),
        full_offset_xyzw=(x, y, z, w) if whole else None,
    )


def _carry(
    rows: list[Offset],
    parents: npt.NDArray[np.int64],
    plan: _Plan,
    outlook: Outlook,
    column: Mapping[int, int],
) -> None:
    """Let hinges turn whose one moving channel would not stay alone once their parent is turned.

    In a format without rest rotations the parent's turn stays in front of the child's channels. A hinge that
    moves on one channel only because of what stands behind it, and not because its innermost axis is the
    hinge's, would spread over all three.
    """
    for joint, parent in enumerate(parents.tolist()):
        row, place = rows[joint], column.get(joint)
        if place is None or parent < 0 or row.turns or not rows[parent].turns:
            continue
        if row.reason == ON_ONE_CHANNEL and plan.off_deg(place) > TELLS_NOTHING_DEG:
            whole = bool(plan.aimed[place])
            rows[joint] = replace(
                _turning(row, plan, place, whole=whole), reason="turns with its parent"
            )


def _carriers(measures: PooledMeasures, joint: int) -> str | None:
    """Return the shots that carry most of the evidence of a joint, in words."""
    if measures.shots < 2 or not measures.moving_shots[joint]:
        return None
    told = [f"{each.shot} {each.share:.0%}" for each in measures.carriers[joint][:3]]
    return ", ".join(told) or None


def _advice(measures: PooledMeasures) -> list[str | None]:
    """Return for each joint what would help one that is no hinge, in words; None where there is nothing."""
    found = advise(measures)
    said: list[str | None] = []
    for joint, kind in enumerate(measures.kind):
        parts = []
        if (
            found.swing_channel[joint] >= 0
            and abs(found.swing_twist_deg[joint]) > TELLS_NOTHING_DEG
        ):
            parts.append(
                f"{degrees(float(found.swing_twist_deg[joint]))} about the limb would put its main swing on "
                f"{AXES[found.swing_channel[joint]]}"
            )
        if kind in ("two-axis", "free"):
            order = found.order[joint]
            margin = float(found.least_margin_deg[joint, found.orders.index(order)])
            near = "; ".join(
                f"{each} {share:.0%}"
                for each, share in zip(found.orders, found.near_lock[joint], strict=True)
                if share >= HALF_A_PERCENT
            )
            parts.append(
                f"{order} keeps furthest from the lock ({degrees(margin, 0)})"
                + (f"; time within 15° of it: {near}" if near else "")
            )
        said.append("; ".join(parts) or None)
    return said


def _difference(one: Skeleton, two: Skeleton) -> str:
    """Return what tells the joints of two rigs apart."""
    joints = [set(zip(each.names, each.parent_names(), strict=True)) for each in (one, two)]
    odd = sorted(name for name, _ in joints[0] ^ joints[1])
    return f"their joints differ, such as {odd[0]}" if odd else "their joints hang otherwise"


def _leaks(measures: PooledMeasures, joint: int) -> bool:
    """Tell whether the twist surely puts motion that counts on another channel."""
    low, high = measures.twist_interval_deg[joint]
    off = min(abs(low), abs(high)) if low > 0.0 or high < 0.0 else 0.0
    leak = float(measures.range_deg[joint] * np.sin(np.deg2rad(off)))
    return leak > measures.settings.moving_range_deg


class _Spent:
    """Most channels that move in any shot, and edit keys in all, at one stage of one joint."""

    def __init__(self, outlook: Outlook, stage: int, column: int) -> None:
        self.moving = int(outlook.moving[stage, column])
        self.keys = int(outlook.keys[stage, column])

    def gains(self, after: _Spent) -> bool:
        """Tell whether another stage is worth turning axes for."""
        return after.moving < self.moving or after.keys < WORTH_A_TURN * self.keys


def _nothing_to_gain(
    now: _Spent, twist: _Spent, full: _Spent, unsure: bool, measures: PooledMeasures, joint: int
) -> str | None:
    """Return why a joint is better left as it is, None where it is not."""
    if now.moving <= 1:
        return ON_ONE_CHANNEL
    if not (now.gains(twist) or now.gains(full)):
        return (
            f"turning it would gain nothing: {plural(now.keys, 'edit key')} now, "
            f"{min(twist.keys, full.keys):,} afterwards"
        )
    if unsure:
        low, high = measures.twist_interval_deg[joint]
        return (
            f"its axes may be right as they are: {degrees(float(measures.twist_offset_deg[joint]))} about "
            f"the limb, somewhere from {interval_in_words(float(low), float(high))}"
        )
    return None
