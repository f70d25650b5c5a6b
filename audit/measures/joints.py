"""Measure every joint of a shot: the one place where the parts of the measure come together."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDER_WITHOUT_CHOICE, ORDERS
from audit.measures import offsets
from audit.measures.blocks import blocks, measured_rotations
from audit.measures.hinge import HingeFit, certainty, fit_hinge, kinds_of
from audit.measures.reasons import why_no_offset
from audit.measures.result import JointCurves, Measures
from audit.measures.spread import Cost, channel_curves, cost_of
from audit.model import Shot, time_weights
from audit.rotations import conjugate, continuous_angles, leaps, multiply
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

KEYS_FOR_CERTAINTY = 8
"""With fewer keys than this a shot says nothing about how sure its axes are."""

MARGIN_WORTH_A_CHANGE_DEG = 5.0
"""A present order with the hinge innermost stays unless the other such order gains this much margin."""

NEAR_LOCK_DEG = 15.0
"""Frames with a smaller gimbal margin are counted as near the lock."""


class _Draft:
    """The arrays of a Measures while they are being filled, block by block."""

    def __init__(self, joints: int) -> None:
        def nan(*shape: int) -> Array:
            return np.full((joints, *shape), np.nan)

        self.orders = [ORDER_WITHOUT_CHOICE] * joints
        self.kind = ["still"] * joints
        self.no_offset_because: list[str | None] = [None] * joints
        self.advised_order: list[str | None] = [None] * joints
        self.range_deg, self.off_axis_deg, self.shares = nan(), nan(), nan(3)
        self.excursion_deg = nan(2)
        self.hinge_axis, self.hinge_axis_interval_deg = nan(3), nan()
        self.residual_deg = nan()
        self.twist_offset_deg, self.twist_interval_deg = nan(), nan(2)
        self.full_offset_xyzw, self.causes = nan(4), nan(4)
        self.target_axis = np.full(joints, -1, dtype=np.int64)
        self.gimbal_margin_deg, self.near_lock = nan(), np.zeros(joints)
        self.wrap_jumps = np.zeros(joints, dtype=np.int64)
        self.now, self.after_twist, self.after_full = (Cost.none(joints) for _ in range(3))


def measure_shot(
    shot: Shot,
    settings: Settings | None = None,
    progress: Callable[[int], object] | None = None,
) -> Measures:
    """Measure all joints of a shot.

    Parameters
    ----------
    shot
        Any shot.
    settings
        Thresholds; the project's definitions where None.
    progress
        Called after each block with the number of joints done in it.

    Returns
    -------
    Measures

    Notes
    -----
    Works through the joints in blocks that fit the processor's cache. The time grows in proportion to
    joints times frames.
    """
    settings = settings or Settings()
    skeleton = shot.skeleton
    draft = _Draft(len(skeleton))
    limb = skeleton.limb_axes
    aim = np.full(len(skeleton), np.nan)
    known = ~np.isnan(limb[:, 0])
    aim[known] = np.rad2deg(offsets.aim_error(limb[known].T)[0])
    for places, order in blocks(shot, settings.order):
        _measure_block(shot, settings, places, order, aim, draft)
        if progress is not None:
            progress(len(places))
    stated = [order is not None for order in skeleton.orders]
    otherwise = "given" if settings.order is not None else "best"
    return Measures(
        settings=settings,
        orders=tuple(draft.orders),
        orders_from=tuple("file" if each else otherwise for each in stated),
        kind=tuple(draft.kind),
        range_deg=draft.range_deg,
        shares=draft.shares,
        off_axis_deg=draft.off_axis_deg,
        excursion_deg=draft.excursion_deg,
        hinge_axis=draft.hinge_axis,
        hinge_axis_interval_deg=draft.hinge_axis_interval_deg,
        limb_axis=limb,
        aim_error_deg=aim,
        residual_deg=draft.residual_deg,
        now=draft.now,
        twist_offset_deg=draft.twist_offset_deg,
        twist_interval_deg=draft.twist_interval_deg,
        no_offset_because=tuple(draft.no_offset_because),
        after_twist=draft.after_twist,
        full_offset_xyzw=draft.full_offset_xyzw,
        advised_order=tuple(draft.advised_order),
        target_axis=draft.target_axis,
        after_full=draft.after_full,
        causes=draft.causes,
        gimbal_margin_deg=draft.gimbal_margin_deg,
        near_lock=draft.near_lock,
        wrap_jumps=draft.wrap_jumps,
    )


def joint_curves(shot: Shot, measures: Measures, joint: int) -> JointCurves:
    """Return the curves of one joint, as they are and as they would be.

    Parameters
    ----------
    shot, measures
        The shot and what was measured on it.
    joint
        Place of the joint.
    """
    places = np.array([joint])
    order = measures.orders[joint]
    quaternion = measured_rotations(shot, measures.settings.reference, places)
    if shot.channels is not None and _channels_are_the_curves(shot, measures.settings, places):
        curves = continuous_angles(shot.channels.angles_rad(places, order))
    else:
        curves = channel_curves(quaternion, order)
    if not measures.has_offset[joint]:
        return JointCurves(_sorted_degrees(curves, order), None, None)
    turn = np.deg2rad(measures.twist_offset_deg[places])
    twisted = _seen_from(offsets.axes_after_twist(measures.limb_axis[places].T, turn), quaternion)
    full = _seen_from(measures.full_offset_xyzw[places].T, quaternion)
    advised = measures.advised_order[joint] or order
    return JointCurves(
        now=_sorted_degrees(curves, order),
        after_twist=_sorted_degrees(channel_curves(twisted, order), order),
        after_full=_sorted_degrees(channel_curves(full, advised), advised),
    )


def _sorted_degrees(curves: Array, order: str) -> Array:
    """Return the curves (3, 1, F) of one joint as (3, F) in degrees, channels X, Y, Z."""
    degrees: Array = np.rad2deg(curves[np.argsort(list(order)), 0])
    return degrees


def _channels_are_the_curves(shot: Shot, settings: Settings, places: Indices) -> bool:
    """Tell whether the file's own channels are what is measured, so that no conversion is needed."""
    resting = bool(np.all(np.abs(shot.skeleton.rest_xyzw[places, 3]) == 1.0))
    return shot.channels is not None and (resting or settings.reference == "rest")


def _seen_from(axes: Array, quaternion: Array) -> Array:
    """Return ``A⁻¹ Q A`` for axes (4, N) and rotations (4, N, F)."""
    turned = axes[..., None]
    return multiply(multiply(conjugate(turned), quaternion), turned)


def _measure_block(
    shot: Shot,
    settings: Settings,
    places: Indices,
    order: str | None,
    aim_deg: Array,
    draft: _Draft,
) -> None:
    quaternion = measured_rotations(shot, settings.reference, places)
    fit = fit_hinge(quaternion, time_weights(shot.joint_times(int(places[0]))))
    _record_motion(fit, settings, places, draft)

    if order is None:
        _record_best_order(shot, settings, quaternion, places, draft)
    else:
        _record_present(shot, settings, quaternion, places, order, draft)

    chosen = _suggestible(settings, places, draft, shot.skeleton.limb_axes, fit)
    if not len(chosen):
        return
    _record_axes(fit, shot, settings, places, chosen, draft)
    # In the best of six orders each joint may have its own; elsewhere they share one.
    for present in dict.fromkeys(draft.orders[place] for place in places[chosen]):
        rows = chosen[[draft.orders[place] == present for place in places[chosen]]]
        _record_after(shot, settings, quaternion[:, rows], places[rows], present, aim_deg, draft)


def _record_motion(fit: HingeFit, settings: Settings, places: Indices, draft: _Draft) -> None:
    """Write down kind, range, shares and excursion."""
    ranges = np.rad2deg(fit.range)
    shares = fit.shares
    draft.range_deg[places] = ranges
    draft.shares[places] = shares.T
    draft.off_axis_deg[places] = np.rad2deg(fit.off_axis)
    draft.excursion_deg[places, 0] = np.rad2deg(np.min(fit.angle, axis=1))
    draft.excursion_deg[places, 1] = np.rad2deg(np.max(fit.angle, axis=1))
    for place, kind in zip(places, kinds_of(ranges, shares, settings), strict=True):
        draft.kind[place] = kind


def _cost(times: Array, settings: Settings, curves: Array, order: str) -> Cost:
    return cost_of(
        curves,
        order,
        times,
        tolerance_deg=settings.key_tolerance_deg,
        moving_deg=settings.moving_range_deg,
    )


def _record_present(
    shot: Shot, settings: Settings, quaternion: Array, places: Indices, order: str, draft: _Draft
) -> None:
    """Write down what the motion costs in the order that the file states or that was given."""
    if shot.channels is not None and _channels_are_the_curves(shot, settings, places):
        stored = shot.channels.angles_rad(places, order)
        curves = continuous_angles(stored)
        draft.wrap_jumps[places] = np.count_nonzero(leaps(stored), axis=-1)
    else:
        curves = channel_curves(quaternion, order)
    draft.now.put(places, _cost(shot.joint_times(int(places[0])), settings, curves, order))
    for place in places:
        draft.orders[place] = order
    _record_margin(curves, places, draft)


def _record_margin(curves: Array, places: Indices, draft: _Draft) -> None:
    """Write down how near the middle channel comes to ±90°."""
    margin = np.abs(np.mod(np.abs(curves[1]), np.pi) - 0.5 * np.pi)
    draft.gimbal_margin_deg[places] = np.rad2deg(np.min(margin, axis=1))
    draft.near_lock[places] = np.mean(margin < np.deg2rad(NEAR_LOCK_DEG), axis=1)


def _record_best_order(
    shot: Shot, settings: Settings, quaternion: Array, places: Indices, draft: _Draft
) -> None:
    """Measure joints without a stated order in all six, and write down the one with the least spread."""
    curves = [channel_curves(quaternion, order) for order in ORDERS]
    costs = [
        _cost(shot.joint_times(int(places[0])), settings, each, order)
        for each, order in zip(curves, ORDERS, strict=True)
    ]
    # Rounded, so that equals stay equal whatever the last digits do; the first of them wins.
    spreads = np.round([cost.channel_spread for cost in costs], 6)
    best = np.argmin(np.where(np.isnan(spreads), np.inf, spreads), axis=0)
    best[np.isnan(spreads).all(axis=0)] = ORDERS.index(ORDER_WITHOUT_CHOICE)
    for index, order in enumerate(ORDERS):
        rows = np.flatnonzero(best == index)
        if len(rows):
            draft.now.put(places[rows], costs[index][rows])
            _record_margin(curves[index][:, rows], places[rows], draft)
        for place in places[rows]:
            draft.orders[place] = order


def _suggestible(
    settings: Settings, places: Indices, draft: _Draft, limb_axes: Array, fit: HingeFit
) -> Indices:
    """Return the rows of a block that get an offset, and write down why the others get none."""
    limb = limb_axes[places].T
    along = np.rad2deg(offsets.residual(fit.axes[0], np.nan_to_num(limb)))
    rows = []
    for row, place in enumerate(places):
        kind, turned = draft.kind[place], draft.range_deg[place]
        if kind == "hinge":
            draft.hinge_axis[place] = fit.axes[0, :, row]
        has_limb = not np.isnan(limb[0, row])
        reason = why_no_offset(kind, turned, has_limb, along[row], settings)
        if reason is None:
            rows.append(row)
            continue
        draft.no_offset_because[place] = reason
        if kind != "still":
            own = draft.now.channel_spread[place] - 1.0
            draft.causes[place] = (0.0, 0.0, 0.0, own)
        if kind == "hinge" and has_limb:
            draft.residual_deg[place] = along[row]
    return np.array(rows, dtype=np.int64)


def _record_axes(
    fit: HingeFit,
    shot: Shot,
    settings: Settings,
    places: Indices,
    chosen: Indices,
    draft: _Draft,
) -> None:
    """Write down twist offset, residual and intervals of the hinges that get an offset."""
    fit = HingeFit(
        fit.axes[..., chosen],
        fit.scatter[:, chosen],
        fit.coordinates[:, chosen],
        fit.angle[chosen],
        fit.off_axis[chosen],
    )
    where = places[chosen]
    hinge, limb = fit.axes[0], shot.skeleton.limb_axes[where].T
    twist = offsets.twist_offset(hinge, limb)
    draft.twist_offset_deg[where] = np.rad2deg(twist.offset)
    draft.target_axis[where] = twist.target_axis
    draft.residual_deg[where] = np.rad2deg(offsets.residual(hinge, limb))
    times = shot.joint_times(int(where[0]))
    if len(times) < KEYS_FOR_CERTAINTY:
        return
    sure = certainty(fit, time_weights(times))
    cone = sure.axis_half_angle(settings.confidence)
    draft.hinge_axis_interval_deg[where] = np.rad2deg(cone)
    pull = np.einsum("pcn,cn->pn", fit.axes[1:], twist.gradient)
    deviation = np.sqrt(np.maximum(np.einsum("in,jn,ijn->n", pull, pull, sure.tilt), 0.0))
    reach = sure.quantile(settings.confidence) * deviation
    draft.twist_interval_deg[where, 0] = np.rad2deg(twist.offset - reach)
    draft.twist_interval_deg[where, 1] = np.rad2deg(twist.offset + reach)


def _record_after(
    shot: Shot,
    settings: Settings,
    quaternion: Array,
    places: Indices,
    order: str,
    aim_deg: Array,
    draft: _Draft,
) -> None:
    """Predict the cost after the twist and after the full correction, and share out the causes.

    Predicted means recomputed: the rotations are seen from the new axes and taken apart again.
    """
    limb = shot.skeleton.limb_axes[places].T
    turn = np.deg2rad(draft.twist_offset_deg[places])
    axes = offsets.axes_after_twist(limb, turn)
    twisted = _seen_from(axes, quaternion)
    after_twist = _cost(
        shot.joint_times(int(places[0])), settings, channel_curves(twisted, order), order
    )

    target = draft.target_axis[places].copy()
    full, aimed_cost = twisted, after_twist
    rows = np.flatnonzero(aim_deg[places] > settings.aim_limit_deg)
    if len(rows):
        axes, full = axes.copy(), twisted.copy()
        hinge = draft.hinge_axis[places[rows]].T
        axes[:, rows], target[rows] = offsets.axes_after_full(hinge, limb[:, rows])
        full[:, rows] = _seen_from(axes[:, rows], quaternion[:, rows])
        aimed = _cost(
            shot.joint_times(int(places[0])), settings, channel_curves(full[:, rows], order), order
        )
        aimed_cost = after_twist[np.arange(len(places))]
        aimed_cost.put(rows, aimed)

    advised = _advised_orders(full, target, order)
    after_full = aimed_cost[np.arange(len(places))]
    for other in dict.fromkeys(advised):
        rows = np.flatnonzero([each == other for each in advised])
        if other != order:
            curves = channel_curves(full[:, rows], other)
            after_full.put(rows, _cost(shot.joint_times(int(places[0])), settings, curves, other))

    draft.after_twist.put(places, after_twist)
    draft.after_full.put(places, after_full)
    draft.full_offset_xyzw[places] = np.where(axes[3] < 0.0, -axes, axes).T
    for row, place in enumerate(places):
        draft.advised_order[place] = advised[row]
    stages = np.stack(
        [
            draft.now.channel_spread[places],
            after_twist.channel_spread,
            aimed_cost.channel_spread,
            after_full.channel_spread,
            np.ones(len(places)),
        ]
    )
    # A stage that makes things worse gains nothing; what it would have gained is left to the later ones.
    stages = np.minimum.accumulate(np.where(np.isnan(stages), 1.0, stages), axis=0)
    draft.causes[places] = -np.diff(stages, axis=0).T


def _advised_orders(quaternion: Array, target: Indices, present: str) -> list[str]:
    """Return for each joint the order with the hinge innermost and the largest gimbal margin."""
    advised = [present] * len(target)
    for axis in np.unique(target):
        rows = np.flatnonzero(target == axis)
        pair = offsets.orders_with_inner(int(axis))
        margins = np.rad2deg([offsets.gimbal_margin(quaternion[:, rows], each) for each in pair])
        for index, row in enumerate(rows):
            better = int(np.argmax(margins[:, index]))
            if present in pair:
                own = pair.index(present)
                gain = margins[better, index] - margins[own, index]
                better = better if gain > MARGIN_WORTH_A_CHANGE_DEG else own
            advised[row] = pair[better]
    return advised
