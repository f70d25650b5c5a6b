"""Shots whose own axis contradicts what the other shots of the rig say."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, fdtrc

from audit.pool.sums import PooledFit, Sums, fit_sums

Array = npt.NDArray[np.float64]

NOT_WORTH_MENTIONING = np.deg2rad(0.05)
"""Axes that differ by no more than this, in radians, agree, however sure both are: it is the tolerance to which
rest frames count as the same."""

SHOTS_THAT_DIFFER = 2.05
"""With fewer other shots' worth of evidence nobody can say which of them is the odd one: two others that differ
do not show how far axes go from shot to shot."""

CAUTION = 0.8
"""Confidence with which the axes' own spread from shot to shot is not underrated."""


class Disagreement(NamedTuple):
    """How one shot stands to the others; leading axes (...).

    Attributes
    ----------
    angle : (...)
        Between the axes, in radians, up to 90°. NaN where one of them has none.
    probability : (...)
        Of an angle at least as large where the shot's axis is drawn like those of the others; 1 where nothing
        can be said.
    own_share, other_share : (...)
        Share of the motion on the first axis, in this shot and in the others.
    """

    angle: Array
    probability: Array
    own_share: Array
    other_share: Array


def disagreement(pooled: Sums, own: Sums) -> Disagreement:
    """Return how far one shot's axis is from that of the others, and how likely chance makes it so far.

    Parameters
    ----------
    pooled
        Sums over all shots, the one in question among them; leading axes (...).
    own
        Sums of that one; leading axes broadcast.

    Returns
    -------
    Disagreement

    Notes
    -----
    Hotelling's T² of the difference, with the covariance of both sides and that of the axes from shot to shot:
    what the spread of the other shots has beyond the doubt within them, times their effective number
    (the moment estimator of R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 1986), with the spread
    at its upper 80 % limit, because a few shots may differ little by chance. The shot itself
    is left out of what it is held against. Degrees of freedom after F. E. Satterthwaite, Biometrics Bulletin 2,
    1946.
    """
    rest = pooled - own
    others, alone = fit_sums(rest), fit_sums(own)
    axis = others.axes[..., 0, :]
    seen = alone.axes[..., 0, :]
    cosine = np.sum(axis * seen, axis=-1)
    sign = np.where(cosine < 0.0, -1.0, 1.0)
    seen, cosine = seen * sign[..., None], np.minimum(np.abs(cosine), 1.0)
    angle = np.arccos(cosine)
    sine = np.sqrt(np.maximum(1.0 - cosine**2, 0.0))
    length = np.where(sine > 1e-12, angle / np.maximum(sine, 1e-12), 1.0)
    basis = others.axes[..., 1:, :]
    apart = length[..., None] * np.einsum("...pc,...c->...p", basis, seen)

    # The shot's own covariance, carried along the arc from its axis to the other one.
    across = alone.axes[..., 1:, :]
    middle = axis + seen
    along = np.einsum("...pc,...c->...p", across, axis) / (1.0 + cosine)[..., None]
    carried = np.einsum(
        "...pc,...qc->...pq", basis, across - along[..., None] * middle[..., None, :]
    )
    mine = carried @ alone.within @ np.swapaxes(carried, -1, -2)
    theirs, their_freedom, _ = others.covariance()
    # Few shots may differ little by chance, so their spread is taken as large as it may well be.
    degrees = np.maximum(others.between_freedom, 0.5)
    may_be = degrees / chdtri(degrees, CAUTION)
    excess = others.between * may_be[..., None, None] - others.within
    values, vectors = np.linalg.eigh(excess)
    several = others.effective_shots >= SHOTS_THAT_DIFFER
    values = np.where(several[..., None], np.maximum(values, 0.0), 0.0)
    wander = (vectors * values[..., None, :]) @ np.swapaxes(vectors, -1, -2)
    wander = wander * others.effective_shots[..., None, None]
    theirs = theirs + wander
    wanders = np.trace(wander, axis1=-2, axis2=-1) > 0.0
    their_freedom = np.where(wanders, others.between_freedom, their_freedom)

    known = (alone.within_freedom > 0.0) & (their_freedom > 0.0) & (own.shots > 0.0)
    known &= (rest.shots > 0.0) & several
    total = np.where(known[..., None, None], mine + theirs, 0.0)
    total = total + NOT_WORTH_MENTIONING**2 * np.eye(2)
    sizes = np.stack([np.trace(each, axis1=-2, axis2=-1) for each in (mine, theirs)])
    freedoms = np.maximum(np.stack([alone.within_freedom, their_freedom]), 1.0)
    freedom = np.sum(sizes, axis=0) ** 2 / np.maximum(np.sum(sizes**2 / freedoms, axis=0), 1e-300)
    freedom = np.where(known & np.isfinite(freedom), np.maximum(freedom, 2.0), 2.0)
    squared = np.einsum("...p,...p->...", apart, np.linalg.solve(total, apart[..., None])[..., 0])
    ratio = squared * (freedom - 1.0) / (2.0 * freedom)
    probability = np.where(known, fdtrc(2.0, freedom - 1.0, np.where(known, ratio, 0.0)), 1.0)
    compared = (own.shots > 0.0) & (rest.shots > 0.0)
    return Disagreement(
        np.where(compared, angle, np.nan), probability, _first_share(alone), _first_share(others)
    )


def _first_share(fit: PooledFit) -> Array:
    """Return the share (...) of the motion on the first axis."""
    total = np.sum(fit.squares, axis=-1)
    result: Array = fit.squares[..., 0] / np.maximum(total, 1e-300)
    return result
