"""What all shots of a rig together say, in the figures of the measures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDERS
from audit.measures import offsets
from audit.measures.hinge import kinds_of
from audit.measures.reasons import why_no_offset
from audit.model import Skeleton
from audit.pool.means import Means, answer_from
from audit.pool.sums import Sums, fit_sums
from audit.pool.telling import Carrier, OddShot, carriers_of, odd_shots_of
from audit.pool.witnesses import Witnesses
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

WIDEST_INTERVAL_DEG = 10.0
"""No offset is suggested that may be off by more than this (our choice): it could make things worse."""


@dataclass(frozen=True, eq=False)
class PooledMeasures:
    """What all shots of a rig together say about its J joints.

    Degrees; NaN or None where a figure does not exist. Names as in :class:`audit.measures.Measures` mean
    the same, over all shots.

    Attributes
    ----------
    settings, shots
        With which they were pooled, and how many shots there were.
    kind, range_deg, excursion_deg, off_axis_deg, hinge_axis, hinge_axis_interval_deg, limb_axis,
    aim_error_deg, residual_deg, twist_offset_deg, twist_interval_deg, no_offset_because, full_offset_xyzw,
    target_axis
        As for one shot. Jitter is left out of the shares and with them of the kind.
    shares : (J, 3)
        Share of the motion on each principal axis, jitter left out of the second and third.
    jitter_deg : (J,)
        Root mean square of what was taken for jitter, across the axis.
    moving_shots, effective_shots : (J,)
        Shots in which the joint moves, and how many equal ones they are worth.
    from_shots : (J,)
        True where the interval comes from how the shots differ, False where from the keys within them.
    means_count : (J,)
        How much the mean poses of the shots had to say beside the motion within them: 0 nothing, 1 all.
    tilt_covariance : (J, 3, 3)
        Covariance of the axis in radians squared, in the joint's own axes; NaN where there is none.
    tilt_freedom : (J,)
        Its degrees of freedom.
    seconds, keys, wild_keys : (J,)
        Time and keys that the evidence comes from; pops among the keys.
    carriers
        For every joint the shots that carried most of the evidence, strongest first.
    odd_shots
        Shots that contradict the others by more than chance, most unlikely first.
    least_margin_deg : (J, 6)
        Gimbal margin in each of the six rotation orders, in the present axes.
    near_lock : (J, 6)
        Share of the time within 15° of the lock in each.
    margin_seconds : (J, 6, 6)
        Time in each order (first) by margin: up to 15°, 30°, 45°, 60°, 75°, 90°.
    second_freedom : (J,)
        True where the shots show a second rotation that is no jitter and that no offset should hide: the
        joint is two-axis or free.
    main_swing : (J, 3), swing_ratio : (J,)
        Direction across the limb about which the joint swings most, for the advice on free joints, and its
        mean square over that of the swing at right angles to it.
    """

    settings: Settings
    shots: int
    kind: tuple[str, ...]
    range_deg: Array
    excursion_deg: Array
    shares: Array
    off_axis_deg: Array
    jitter_deg: Array
    hinge_axis: Array
    hinge_axis_interval_deg: Array
    limb_axis: Array
    aim_error_deg: Array
    residual_deg: Array
    twist_offset_deg: Array
    twist_interval_deg: Array
    no_offset_because: tuple[str | None, ...]
    full_offset_xyzw: Array
    target_axis: Indices
    moving_shots: Indices
    effective_shots: Array
    from_shots: Flags
    means_count: Array
    tilt_covariance: Array
    tilt_freedom: Array
    seconds: Array
    keys: Indices
    wild_keys: Indices
    carriers: tuple[tuple[Carrier, ...], ...]
    odd_shots: tuple[OddShot, ...]
    least_margin_deg: Array
    near_lock: Array
    margin_seconds: Array
    second_freedom: Flags
    main_swing: Array
    swing_ratio: Array

    @property
    def has_offset(self) -> Flags:
        """Which joints (J,) have a suggested offset."""
        return ~np.isnan(self.twist_offset_deg)

    @property
    def steadiest_order(self) -> tuple[str, ...]:
        """For every joint the rotation order with the largest gimbal margin over all shots: advice.

        Of orders with the same margin, to a tenth of a degree, the one with less time near the lock.
        """
        margin = np.round(self.least_margin_deg, 1)
        best = np.argmax(margin - 1e-3 * self.near_lock, axis=1)
        return tuple(ORDERS[place] for place in best)


def pooled_measures(
    skeleton: Skeleton,
    settings: Settings,
    *,
    sums: Sums,
    means: Means,
    excursion: Array,
    counted_axis: Array,
    widest: Array,
    seconds: Array,
    keys: Indices,
    wild_keys: Indices,
    least_margin: Array,
    margin_seconds: Array,
    strongest: Witnesses,
    oddest: Witnesses,
    shots: int,
) -> PooledMeasures:
    """Return the measures that sums over shots lead to; the arguments are those of a pool."""
    joints = len(skeleton)
    fit = fit_sums(sums)
    answer = answer_from(fit, sums, means, settings.confidence)
    axis, excursion = _signed(answer.axes[:, 0], counted_axis, excursion)
    ranges = np.rad2deg(np.maximum(np.ptp(excursion, axis=1), widest))
    total = np.sum(fit.squares, axis=1)
    shares = np.where(total[:, None] > 0.0, fit.squares / np.maximum(total, 1e-300)[:, None], 0.0)
    time = np.maximum(seconds, 1e-300)
    across = np.trace(sums.jitter, axis1=1, axis2=2)
    across = across - np.einsum("nr,nrc,nc->n", axis, sums.jitter, axis)
    kinds = kinds_of(ranges, shares.T, settings)
    limb = skeleton.limb_axes.T
    known = ~np.isnan(limb[0])
    aim = np.full(joints, np.nan)
    aim[known] = np.rad2deg(offsets.aim_error(limb[:, known])[0])
    reasons, residual = _reasons(kinds, ranges, axis, limb, settings)

    twist = np.full(joints, np.nan)
    interval = np.full((joints, 2), np.nan)
    target = np.full(joints, -1, dtype=np.int64)
    rows = np.flatnonzero([each is None for each in reasons])
    if len(rows):
        turn = offsets.twist_offset(axis[rows].T, limb[:, rows])
        pull = np.zeros((joints, 2))
        pull[rows] = np.einsum("npc,cn->np", answer.axes[rows, 1:], turn.gradient)
        reach = np.rad2deg(answer.reach(pull, settings.confidence))[rows]
        twist[rows], target[rows] = np.rad2deg(turn.offset), turn.target_axis
        interval[rows] = twist[rows, None] + reach[:, None] * np.array([-1.0, 1.0])
        for row, half in zip(rows, reach, strict=True):
            if half > WIDEST_INTERVAL_DEG:
                reasons[row] = (
                    f"its axis is not sure enough: the offset may be off by {half:.0f}°, and more than "
                    f"{WIDEST_INTERVAL_DEG:g}° is not suggested; more shots in which it bends would help"
                )
        unsure = rows[reach > WIDEST_INTERVAL_DEG]
        twist[unsure], interval[unsure], target[unsure] = np.nan, np.nan, -1
    swing, ratio = main_swing(sums.scatter - sums.jitter, limb)
    cone = np.rad2deg(answer.half_angle(settings.confidence))
    hinges = np.array([kind == "hinge" for kind in kinds])
    return PooledMeasures(
        settings=settings,
        shots=shots,
        kind=tuple(kinds),
        range_deg=ranges,
        excursion_deg=np.rad2deg(excursion),
        shares=shares,
        off_axis_deg=np.rad2deg(np.sqrt(np.sum(fit.squares[:, 1:], axis=1) / time)),
        jitter_deg=np.rad2deg(np.sqrt(np.maximum(across, 0.0) / time)),
        hinge_axis=np.where(hinges[:, None], axis, np.nan),
        hinge_axis_interval_deg=np.where(hinges, cone, np.nan),
        limb_axis=skeleton.limb_axes,
        aim_error_deg=aim,
        residual_deg=residual,
        twist_offset_deg=twist,
        twist_interval_deg=interval,
        no_offset_because=tuple(reasons),
        full_offset_xyzw=full_offsets(axis, limb, twist, aim, settings),
        target_axis=target,
        moving_shots=sums.shots.astype(np.int64),
        effective_shots=fit.effective_shots,
        from_shots=answer.from_shots,
        means_count=answer.means_count,
        tilt_covariance=np.einsum(
            "npc,npq,nqd->ncd", answer.axes[:, 1:], answer.covariance, answer.axes[:, 1:]
        ),
        tilt_freedom=answer.freedom,
        seconds=seconds,
        keys=keys,
        wild_keys=wild_keys,
        carriers=carriers_of(strongest, sums),
        odd_shots=odd_shots_of(oddest, strongest, sums, settings),
        least_margin_deg=np.rad2deg(least_margin),
        near_lock=margin_seconds[:, :, 0] / time[:, None],
        margin_seconds=margin_seconds,
        second_freedom=np.array([kind in ("two-axis", "free") for kind in kinds]),
        main_swing=swing,
        swing_ratio=ratio,
    )


def main_swing(scatter: Array, limb: Array) -> tuple[Array, Array]:
    """Return the direction across the limb about which a joint swings most.

    Parameters
    ----------
    scatter : (J, 3, 3)
        Of the rotation vectors.
    limb : (3, J)
        Limb axes, NaN where a joint has none.

    Returns
    -------
    direction : (J, 3)
        Unit vectors, NaN where there is none.
    ratio : (J,)
        Mean square of the swing about it over that of the swing at right angles; at least 1, 0 where there is
        none.
    """
    known = np.isfinite(limb[0])
    unit = np.where(known, limb, 0.0).T
    across = np.eye(3) - unit[:, :, None] * unit[:, None, :]
    # The limb itself has no swing, so the three eigenvalues are zero and the two that are wanted.
    part = across @ scatter @ across
    squares, columns = np.linalg.eigh(part)
    moves = known & (squares[:, 2] > 0.0)
    trace = np.trace(part, axis1=1, axis2=2)
    ratio = squares[:, 2] / np.maximum(trace - squares[:, 2], 1e-6 * np.maximum(trace, 1e-300))
    return np.where(moves[:, None], columns[:, :, 2], np.nan), np.where(moves, ratio, 0.0)


def _signed(axis: Array, counted: Array, excursion: Array) -> tuple[Array, Array]:
    """Return axis and excursions with the sign that makes the larger excursion from rest positive."""
    sign = np.where(np.sum(axis * counted, axis=1) < 0.0, -1.0, 1.0)
    axis = axis * sign[:, None]
    back = excursion[:, 1] < -excursion[:, 0]
    turned = np.where(back[:, None], -excursion[:, ::-1], excursion)
    return np.where(back[:, None], -axis, axis), turned


def _reasons(
    kinds: list[str], ranges: Array, axis: Array, limb: Array, settings: Settings
) -> tuple[list[str | None], Array]:
    """Return why joints get no offset, None for those that may, and the residual (J,) in degrees."""
    along = np.rad2deg(offsets.residual(axis.T, np.nan_to_num(limb)))
    has_limb = ~np.isnan(limb[0])
    reasons = [
        why_no_offset(*each, settings, many_shots=True)
        for each in zip(kinds, ranges, has_limb, along, strict=True)
    ]
    hinge = np.array([kind == "hinge" for kind in kinds])
    return reasons, np.where(hinge & has_limb, along, np.nan)


def full_offsets(
    axis: Array, limb: Array, twist_deg: Array, aim_deg: Array, settings: Settings
) -> Array:
    """Return the full corrections: aim where it is off, then twist.

    Parameters
    ----------
    axis, limb : (J, 3), (3, J)
        Hinge and limb axes.
    twist_deg, aim_deg : (J,)
        Twist offset, NaN where there is none, and aim error.
    settings
        For the limit of the aim.

    Returns
    -------
    (J, 4)
        New axes as quaternions in the joints' present axes, NaN without an offset.
    """
    full = np.full((len(axis), 4), np.nan)
    rows = np.flatnonzero(~np.isnan(twist_deg))
    if not len(rows):
        return full
    turned = offsets.axes_after_twist(limb[:, rows], np.deg2rad(twist_deg[rows]))
    aimed, _ = offsets.axes_after_full(axis[rows].T, limb[:, rows])
    chosen = np.where(aim_deg[rows] > settings.aim_limit_deg, aimed, turned)
    full[rows] = np.where(chosen[3] < 0.0, -chosen, chosen).T
    return full
