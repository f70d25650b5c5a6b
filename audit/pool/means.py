"""What the mean rotations of the shots say about the axis, and the answer from both kinds of evidence.

Where the rest pose of a rig is the same in all shots, a knee that stands bent in one shot and straight in the
next has turned about its hinge on the way, although neither shot shows it. The mean rotations
``M = C·exp(a φ)`` of the shots are then a motion like any other. Whether they are is not taken for granted: how
far they scatter off one axis says how much they are worth.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc, stdtrit

from audit.pool.evidence import ShotEvidence
from audit.pool.sixfold import pairing, six_from_matrix
from audit.pool.sums import PooledFit, Sums
from audit.rotations import conjugate, multiply

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

MEANS_FOR_AN_AXIS = 2.5
"""With fewer shots' worth of means nothing is made of them: so few points always lie near a line."""

CONTRADICTION = 1e-3
"""Below this probability the means contradict the motion within the shots and are left out. A stricter limit
would leave them out just where chance has put the other axis wrong, and they could put it right."""

_ROWS, _COLUMNS = np.triu_indices(4)


@dataclass(frozen=True, eq=False)
class Means:
    """Sums over the mean rotations m (quaternions) of shots, for J joints; ten numbers make ``m mᵀ``.

    Attributes
    ----------
    moments : (J, 10)
        ``ten(m mᵀ)`` times seconds.
    outer : (J, 10, 10)
        Of that with itself, a shot at a time.
    crossed : (J, 6, 10)
        Of the six numbers of scatter less jitter, times seconds, with that.
    """

    moments: Array
    outer: Array
    crossed: Array

    @classmethod
    def none(cls, joints: int) -> Means:
        """Return the sums over no shots."""
        return cls(np.zeros((joints, 10)), np.zeros((joints, 10, 10)), np.zeros((joints, 6, 10)))

    @classmethod
    def of(cls, evidence: ShotEvidence) -> Means:
        """Return the sums of one shot."""
        seconds = evidence.seconds[:, None]
        mean = evidence.mean
        ten = mean[:, _ROWS] * mean[:, _COLUMNS] * seconds
        six = six_from_matrix(evidence.scatter - evidence.jitter) * seconds
        return cls(ten, ten[:, :, None] * ten[:, None, :], six[:, :, None] * ten[:, None, :])

    def __add__(self, other: Means) -> Means:
        """Return the sums over both."""
        return Means(
            *(getattr(self, each.name) + getattr(other, each.name) for each in fields(self))
        )


@dataclass(frozen=True, eq=False)
class Answer:
    """The axis of J joints from all evidence.

    Attributes
    ----------
    axes : (J, 3, 3)
        Rows: the axis, and two at right angles to it, right-handed.
    covariance : (J, 2, 2)
        Of its tilt towards the second and the third, in radians squared; NaN where nothing is known.
    freedom : (J,)
        Degrees of freedom, 0 where nothing is known.
    from_shots : (J,) bool
        True where it comes from how the shots differ, False where from the keys within them.
    means_count : (J,)
        How much the means of the shots had to say: 0 nothing, 1 all of it.
    """

    axes: Array
    covariance: Array
    freedom: Array
    from_shots: Flags
    means_count: Array

    def half_angle(self, confidence: float) -> Array:
        """Return the half-angle (J,) in radians of the cone that holds the true axis, at most 90°.

        It goes out as far as the longest half-axis of the confidence ellipse (Hotelling's T²).
        """
        largest = np.linalg.eigvalsh(np.nan_to_num(self.covariance))[:, 1]
        degrees = np.maximum(self.freedom, 1.0)
        lower = np.maximum(degrees - 1.0, 1.0)
        quantile = 0.5 * lower * ((1.0 - confidence) ** (-2.0 / lower) - 1.0)
        squared = 2.0 * degrees / lower * quantile * np.maximum(largest, 0.0)
        cone = np.minimum(np.arctan(np.sqrt(squared)), 0.5 * np.pi)
        return np.where(self.freedom > 0.0, cone, np.nan)

    def reach(self, pull: Array, confidence: float) -> Array:
        """Return half the width (J,) of the interval of what changes with the tilt by ``pull`` (J, 2)."""
        variance = np.einsum("ni,nij,nj->n", pull, self.covariance, pull)
        quantile = stdtrit(np.maximum(self.freedom, 1.0), 0.5 + 0.5 * confidence)
        result: Array = np.asarray(quantile, dtype=np.float64) * np.sqrt(np.maximum(variance, 0.0))
        return result


def answer_from(fit: PooledFit, sums: Sums, means: Means, confidence: float) -> Answer:
    """Return the axis from the motion within the shots and from their means, each weighed by how sure it is.

    Parameters
    ----------
    fit
        From the motion within the shots, of J joints.
    sums, means
        Over the same shots.
    confidence
        Of the test that decides whether few shots contradict each other.

    Returns
    -------
    Answer

    Notes
    -----
    The means' scatter about their common mean rotation M is ``4 L Z Lᵀ`` with ``Z = Σ t m mᵀ`` and L the rows
    of ``conj(M) m`` that are its vector part: quadratic in m, so that it follows from sums. Its eigenvector is
    weighed against the other one by the inverse of their covariances. Both covariances, and that of the
    two with each other, are cluster-robust over the shots.

    The means are left out where there are too few of them, or where their axis contradicts the other one
    (Hotelling's T²): then the rest pose, or a second freedom, is another one from shot to shot.
    """
    covariance, freedom, from_shots = fit.covariance(confidence)
    tilt, pairs, effective = _axis_of_means(means, fit)
    own_pairs = pairing(fit.axes[:, :1], fit.axes[:, 1:]) / fit.gap[..., None]
    # A line through the means takes two numbers in each direction: its place and its slope.
    left = np.maximum(effective - 2.0, 1.0)
    few = (left + 2.0) / left
    crossed = np.einsum("nai,nij,nbj->nab", own_pairs, means.crossed, pairs) * few[:, None, None]
    other = np.einsum("nai,nij,nbj->nab", pairs, means.outer, pairs) * few[:, None, None]

    usable = (effective >= MEANS_FOR_AN_AXIS) & (freedom > 0.0)
    mine = np.where(usable[:, None, None], covariance, np.eye(2))
    theirs = np.where(usable[:, None, None], other, np.eye(2)) + 1e-12 * np.eye(2)
    tilt = np.where(usable[:, None], tilt, 0.0)
    total = mine + theirs
    solved = np.linalg.solve(total, tilt[..., None])[..., 0]
    squared = np.sum(tilt * solved, axis=1)
    degrees = np.maximum(np.minimum(left, np.maximum(freedom, 1.0)), 2.0)
    chance = fdtrc(2.0, degrees - 1.0, squared * (degrees - 1.0) / (2.0 * degrees))
    usable &= chance >= CONTRADICTION
    gain = np.swapaxes(np.linalg.solve(total, mine), 1, 2)  # mine (mine + theirs)⁻¹
    gain = np.where(usable[:, None, None], gain, 0.0)
    keep = np.eye(2) - gain
    parts = [
        keep @ mine @ np.swapaxes(keep, 1, 2),
        gain @ theirs @ np.swapaxes(gain, 1, 2),
    ]
    both = keep @ crossed @ np.swapaxes(gain, 1, 2)
    mixed = parts[0] + parts[1] + both + np.swapaxes(both, 1, 2)
    # Two kinds of evidence that go together are never surer than if they did not.
    values, vectors = np.linalg.eigh(mixed - parts[0] - parts[1])
    values = np.maximum(values, 0.0)
    mixed = parts[0] + parts[1] + (vectors * values[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    sizes = np.stack([np.trace(each, axis1=1, axis2=2) for each in parts])
    degrees = np.stack([np.maximum(freedom, 1.0), left])
    pooled = np.sum(sizes, axis=0) ** 2 / np.maximum(np.sum(sizes**2 / degrees, axis=0), 1e-300)
    pooled = np.minimum(pooled, left)

    moved = np.einsum("nij,nj->ni", gain, tilt)
    turned = fit.axes[:, 0] + np.einsum("np,npc->nc", moved, fit.axes[:, 1:])
    turned = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    second = fit.axes[:, 1] - turned * np.sum(turned * fit.axes[:, 1], axis=1, keepdims=True)
    second = second / np.linalg.norm(second, axis=1, keepdims=True)
    axes = np.stack((turned, second, np.cross(turned, second)), axis=1)
    axes = np.where(usable[:, None, None], axes, fit.axes)
    return Answer(
        axes,
        np.where(usable[:, None, None], mixed, covariance),
        np.where(usable, pooled, freedom),
        from_shots | usable,
        0.5 * np.trace(gain, axis1=1, axis2=2),
    )


def _axis_of_means(means: Means, fit: PooledFit) -> tuple[Array, Array, Array]:
    """Return how far the means' axis is from the fit's (J, 2), and what each shot adds to it.

    The second is the weights (J, 2, 10) with which a shot's ten numbers tilt the axis towards the second and
    the third axis of the fit; the third the effective number of shots (J,).
    """
    square = _square(means.moments)
    squares, columns = np.linalg.eigh(square)
    common = columns[..., 3]  # (J, 4)
    # Rows of v → conj(common) v that give the vector part: (J, 3, 4).
    local = np.stack(
        [
            multiply(conjugate(common.T), np.tile(unit[:, None], len(common)))[:3].T
            for unit in np.eye(4)
        ],
        axis=2,
    )
    spread = 4.0 * local @ square @ np.swapaxes(local, 1, 2)
    values, frames = np.linalg.eigh(spread)
    first = frames[..., 2]
    sign = np.where(np.sum(first * fit.axes[:, 0], axis=1) < 0.0, -1.0, 1.0)
    first = first * sign[:, None]
    across = frames[..., :2]  # (J, 3, 2): the third and the second axis of the means
    gap = np.maximum(
        values[:, 2:] - values[:, :2], 1e-9 * np.trace(square, axis1=1, axis2=2)[:, None]
    )
    gap = np.maximum(gap, 1e-150)

    # Towards each of the two: aᵀ u uᵀ e over the gap, and half of a × δ for the shift δ of the common mean.
    inner = np.swapaxes(local, 1, 2)  # (J, 4, 3)
    axis_four = 2.0 * np.einsum("nfc,nc->nf", inner, first)
    weights = np.zeros((len(common), 2, 10))
    solid = squares[:, 3, None, None] * np.eye(3) - local @ square @ inner
    solid = solid + 1e-12 * np.maximum(squares[:, 3], 1e-150)[:, None, None] * np.eye(3)
    for place in range(2):
        towards = across[..., place]
        own = _pairing_of_four(axis_four, 2.0 * np.einsum("nfc,nc->nf", inner, towards))
        side = np.cross(towards, first)  # e · (a × δ) = δ · (e × a)
        shift = np.linalg.solve(solid, side[..., None])[..., 0]
        turn = _pairing_of_four(np.einsum("nfc,nc->nf", inner, shift), common)
        # δ is twice the vector part; the tilt is half of that.
        weights[:, place] = own / gap[:, place, None] + turn
    # From the means' own two directions to those of the fit.
    to_fit = np.einsum("npc,ncq->npq", fit.axes[:, 1:], across)
    pairs = to_fit @ weights
    sine = np.einsum("npc,nc->np", fit.axes[:, 1:], first)
    cosine = np.sum(first * fit.axes[:, 0], axis=1)
    length = np.linalg.norm(sine, axis=1)
    tilt = sine * (np.arctan2(length, cosine) / np.maximum(length, 1e-300))[:, None]

    moved = _pairing_of_four(axis_four, axis_four)
    total = np.einsum("ni,ni->n", moved, means.moments)
    squared = np.einsum("ni,nij,nj->n", moved, means.outer, moved)
    effective = np.where(squared > 0.0, total**2 / np.maximum(squared, 1e-300), 0.0)
    return tilt, pairs, effective


def _square(ten: Array) -> Array:
    """Return symmetric matrices (J, 4, 4) from their ten numbers."""
    result = np.zeros((*ten.shape[:-1], 4, 4))
    result[..., _ROWS, _COLUMNS] = ten
    result[..., _COLUMNS, _ROWS] = ten
    return result


def _pairing_of_four(left: Array, right: Array) -> Array:
    """Return the ten weights (J, 10) with which ten numbers make ``leftᵀ Z right``."""
    straight = left[:, _ROWS] * right[:, _COLUMNS]
    crossed = left[:, _COLUMNS] * right[:, _ROWS]
    result: Array = straight + np.where(_ROWS == _COLUMNS, 0.0, crossed)
    return result
