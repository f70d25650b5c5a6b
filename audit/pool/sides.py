"""Left and right: one answer for both sides of a pair, unless the evidence says that there are two.

A mirror plane and the partner of each joint come from the caller. Axes are seen in each joint's own rest
frame, so they travel from one side to the other through the world: out of the partner's rest frame, through
the mirror, into the joint's own. A rotation axis is a pseudo-vector: the mirror M sends it to −M a.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc, stdtrit

from audit.errors import ShapeError
from audit.measures import offsets
from audit.model import Skeleton
from audit.model.kinematics import world_rest
from audit.pool.result import PooledMeasures, full_offsets
from audit.rotations import matrix_from_quaternion

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

SMALLEST_DOUBT = np.deg2rad(0.05)
"""No axis is taken to be surer than this, in radians: rigs are mirrored by people, and files round."""


@dataclass(frozen=True, eq=False)
class Mirrored:
    """What both sides of each pair say together.

    Attributes
    ----------
    axis : (J, 3)
        Hinge axis in the joint's own axes: the two sides' axes weighed by how sure each is, where they agree;
        the joint's own otherwise. NaN where the joint has none.
    covariance : (J, 3, 3), freedom : (J,)
        Of that axis, in radians squared.
    apart_deg : (J,)
        Between the joint's own axis and its partner's mirrored one; NaN where there is no such pair.
    probability : (J,)
        Of so much by chance at any of the pairs, if both sides really have one axis; 1 without a pair.
    agreed : (J,) bool
        True where the common answer is used.
    borrowed : (J, 3)
        The partner's mirrored axis where the joint has no axis of its own, NaN elsewhere: advice.
    """

    axis: Array
    covariance: Array
    freedom: Array
    apart_deg: Array
    probability: Array
    agreed: Flags
    borrowed: Array


def passage(world: Array, partner: Indices, normal: Array) -> Array:
    """Return the matrices (J, 3, 3) that carry a direction from the partner's axes through the mirror.

    Parameters
    ----------
    world : (4, J)
        Rest rotations in the world.
    partner : (J,)
        Place of each joint's partner, −1 for none.
    normal : (3,)
        Normal of the mirror plane in the world, a unit vector.

    Returns
    -------
    (J, 3, 3)
        ``W⁻¹ M W_partner`` with ``M = 1 − 2 n nᵀ``. Multiply by −1 for a rotation axis.
    """
    if world.shape[1] != len(partner):
        raise ShapeError(f"partner should hold {world.shape[1]} places, got {len(partner)}")
    frames = np.moveaxis(matrix_from_quaternion(world), 2, 0)
    mirror = np.eye(3) - 2.0 * np.outer(normal, normal)
    result: Array = np.swapaxes(frames, 1, 2) @ mirror @ frames[np.maximum(partner, 0)]
    return result


def mirrored_axes(
    axis: Array,
    covariance: Array,
    freedom: Array,
    world: Array,
    partner: Indices,
    normal: Array,
    confidence: float = 0.95,
) -> Mirrored:
    """Return one axis for both sides of every pair, unless the evidence excludes that.

    Parameters
    ----------
    axis : (J, 3)
        Hinge axes in the joints' own axes, either sign; NaN where a joint has none.
    covariance : (J, 3, 3)
        Of the axes in radians squared; NaN where nothing is known, which counts as not sure at all.
    freedom : (J,)
        Degrees of freedom of the covariances.
    world, partner, normal
        As for :func:`passage`.
    confidence
        The common answer is dropped where the sides contradict each other with this confidence over all
        pairs together.

    Returns
    -------
    Mirrored
        The two sides' common axes are mirror images of each other exactly.

    Notes
    -----
    The sides agree unless Hotelling's T² of their difference, with both covariances, is larger than chance
    makes it in as many pairs. The common axis weighs both by the inverse of their covariances.
    """
    joints = len(axis)
    carry = passage(world, partner, normal)
    paired = partner >= 0
    has = np.isfinite(axis[:, 0])
    both = paired & has & has[np.maximum(partner, 0)]
    first = np.flatnonzero(both & (np.arange(joints) < partner))
    second = partner[first]
    apart_deg, probability = np.full(joints, np.nan), np.ones(joints)
    agreed = np.zeros(joints, dtype=bool)
    axis_out, covariance_out, freedom_out = axis.copy(), covariance.copy(), freedom.copy()
    borrowed = np.full((joints, 3), np.nan)
    lenders = np.flatnonzero(paired & ~has & has[np.maximum(partner, 0)])
    borrowed[lenders] = -np.einsum("nij,nj->ni", carry[lenders], axis[partner[lenders]])
    if len(first):
        own, through = axis[first], carry[first]
        other = -np.einsum("nij,nj->ni", through, axis[second])
        other = np.where(np.sum(own * other, axis=1)[:, None] < 0.0, -other, other)
        basis = _across(own)
        apart = _arc(own, other, basis)
        mine = _in_basis(covariance[first], basis)
        theirs = _in_basis(through @ covariance[second] @ np.swapaxes(through, 1, 2), basis)
        total = mine + theirs
        sizes = np.stack([np.trace(each, axis1=1, axis2=2) for each in (mine, theirs)])
        degrees = np.maximum(np.stack([freedom[first], freedom[second]]), 1.0)
        pooled = np.maximum(np.sum(sizes, axis=0) ** 2 / np.sum(sizes**2 / degrees, axis=0), 2.0)
        solved = np.linalg.solve(total, apart[..., None])[..., 0]
        squared = np.sum(apart * solved, axis=1)
        chance = fdtrc(2.0, pooled - 1.0, squared * (pooled - 1.0) / (2.0 * pooled))
        overall = np.minimum(chance * len(first), 1.0)
        use = overall >= 1.0 - confidence
        move = np.einsum("nij,nj->ni", mine, solved)
        common = _along_arc(own, move, basis)
        smaller = mine - mine @ np.linalg.solve(total, mine)
        spread = np.einsum("npi,npq,nqj->nij", basis, smaller, basis)
        for places, turned in ((first, None), (second, through)):
            answer, doubt = common, spread
            if turned is not None:
                back = np.swapaxes(turned, 1, 2)  # an orthogonal matrix
                answer = -np.einsum("nij,nj->ni", back, common)
                doubt = back @ spread @ turned
            sign = np.where(np.sum(answer * axis[places], axis=1) < 0.0, -1.0, 1.0)
            axis_out[places] = np.where(use[:, None], answer * sign[:, None], axis[places])
            covariance_out[places] = np.where(use[:, None, None], doubt, covariance[places])
            freedom_out[places] = np.where(use, pooled, freedom[places])
            apart_deg[places] = np.rad2deg(np.linalg.norm(apart, axis=1))
            probability[places], agreed[places] = overall, use
    return Mirrored(axis_out, covariance_out, freedom_out, apart_deg, probability, agreed, borrowed)


def with_mirrored_offsets(
    measures: PooledMeasures, skeleton: Skeleton, partner: Indices, normal: Array
) -> tuple[PooledMeasures, Mirrored]:
    """Return pooled measures in which both sides of a pair get one answer, and what led to it.

    Parameters
    ----------
    measures
        From :meth:`audit.pool.Pool.result`.
    skeleton
        The rig.
    partner, normal
        As for :func:`passage`.

    Returns
    -------
    measures
        With axis, offset and interval replaced where a joint has an offset and its pair agrees.
    mirrored
        For all joints, with ``agreed`` False where the evidence excludes a common answer.
    """
    settings = measures.settings
    mirrored = mirrored_axes(
        measures.hinge_axis,
        measures.tilt_covariance,
        measures.tilt_freedom,
        world_rest(skeleton),
        partner,
        normal,
        settings.confidence,
    )
    rows = np.flatnonzero(mirrored.agreed & measures.has_offset)
    if not len(rows):
        return measures, mirrored
    limb = measures.limb_axis[rows].T
    twist = offsets.twist_offset(mirrored.axis[rows].T, limb)
    deviation = np.sqrt(
        np.maximum(
            np.einsum("in,nij,jn->n", twist.gradient, mirrored.covariance[rows], twist.gradient),
            0.0,
        )
    )
    quantile = stdtrit(np.maximum(mirrored.freedom[rows], 1.0), 0.5 + 0.5 * settings.confidence)
    reach = np.rad2deg(np.asarray(quantile) * deviation)
    changed = {
        name: getattr(measures, name).copy()
        for name in (
            "hinge_axis",
            "twist_offset_deg",
            "twist_interval_deg",
            "target_axis",
            "residual_deg",
            "tilt_covariance",
            "tilt_freedom",
        )
    }
    changed["hinge_axis"][rows] = mirrored.axis[rows]
    changed["twist_offset_deg"][rows] = np.rad2deg(twist.offset)
    changed["twist_interval_deg"][rows] = changed["twist_offset_deg"][rows, None] + reach[
        :, None
    ] * np.array([-1.0, 1.0])
    changed["target_axis"][rows] = twist.target_axis
    changed["residual_deg"][rows] = np.rad2deg(offsets.residual(mirrored.axis[rows].T, limb))
    changed["tilt_covariance"][rows] = mirrored.covariance[rows]
    changed["tilt_freedom"][rows] = mirrored.freedom[rows]
    full = full_offsets(
        changed["hinge_axis"],
        measures.limb_axis.T,
        changed["twist_offset_deg"],
        measures.aim_error_deg,
        settings,
    )
    return replace(measures, **changed, full_offset_xyzw=full), mirrored


def bends_alike(channel: Array, world: Array, partner: Indices, normal: Array) -> Indices:
    """Return whether a positive value bends both sides of a pair the same way.

    Parameters
    ----------
    channel : (J, 3)
        Direction of each joint's hinge channel in its own present axes: what a positive value turns about,
        right-handed. NaN where a joint has none.
    world, partner, normal
        As for :func:`passage`.

    Returns
    -------
    (J,)
        1 where the sides move as mirror images, −1 where the same value bends them opposite ways, 0 where
        there is no pair or where the two channels are more than 45° from either.
    """
    seen = -np.einsum(
        "nij,nj->ni", passage(world, partner, normal), channel[np.maximum(partner, 0)]
    )
    cosine = np.where(partner >= 0, np.sum(seen * channel, axis=1), 0.0)
    clear = np.abs(np.nan_to_num(cosine)) > np.sqrt(0.5)
    result: Indices = np.where(clear, np.sign(np.nan_to_num(cosine)), 0.0).astype(np.int64)
    return result


def hinge_channels(measures: PooledMeasures) -> Array:
    """Return the direction (J, 3) of each joint's hinge channel after its offset, for :func:`bends_alike`.

    It is the turned principal axis that carries the hinge, in the joint's present axes; NaN without an
    offset.
    """
    channel = np.full((len(measures.kind), 3), np.nan)
    rows = np.flatnonzero(measures.has_offset)
    frames = np.moveaxis(matrix_from_quaternion(measures.full_offset_xyzw[rows].T), 2, 0)
    target = measures.target_axis[rows]
    channel[rows] = frames[np.arange(len(rows)), :, target]
    return channel


def _across(axis: Array) -> Array:
    """Return two unit vectors (N, 2, 3) at right angles to each axis (N, 3) and to each other."""
    least = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    one = np.cross(axis, least)
    one = one / np.linalg.norm(one, axis=1, keepdims=True)
    return np.stack((one, np.cross(axis, one)), axis=1)


def _in_basis(covariance: Array, basis: Array) -> Array:
    """Return covariances (N, 2, 2) across the axis, with the smallest doubt put on; unknown ones are huge."""
    small = np.einsum("npi,nij,nqj->npq", basis, np.nan_to_num(covariance, nan=1e6), basis)
    small = np.where(np.isnan(covariance[:, :1, :1]), 1e6 * np.eye(2), small)
    result: Array = small + SMALLEST_DOUBT**2 * np.eye(2)
    return result


def _arc(start: Array, end: Array, basis: Array) -> Array:
    """Return the arc (N, 2) from one unit vector to another, in radians along the basis at the first."""
    flat = np.einsum("npi,ni->np", basis, end)
    sine = np.linalg.norm(flat, axis=1)
    angle = np.arctan2(sine, np.sum(start * end, axis=1))
    result: Array = flat * (angle / np.maximum(sine, 1e-300))[:, None]
    return result


def _along_arc(start: Array, arc: Array, basis: Array) -> Array:
    """Return the unit vector (N, 3) at the end of an arc (N, 2)."""
    angle = np.linalg.norm(arc, axis=1, keepdims=True)
    flat = np.einsum("npi,np->ni", basis, arc)
    result: Array = np.cos(angle) * start + np.sinc(angle / np.pi) * flat
    return result
