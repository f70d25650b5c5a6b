"""What is kept of many shots: sums that do not grow with their number, and the axis that follows from them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.special import fdtri

from audit.pool.evidence import ShotEvidence
from audit.pool.sixfold import pairing, six_from_matrix

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SHOTS_FOR_THEIR_SPREAD = 2.0
"""From so many shots' worth of evidence on the spread of the shots counts where it is the larger one. With
fewer, the keys of each shot tell how sure the axis is, unless the shots contradict each other."""

SHOTS_THAT_SPEAK_ALONE = 10.0
"""From so many on the spread of the shots is all that counts."""


@dataclass(frozen=True, eq=False)
class Sums:
    """Sums over shots, for joints or anything else in the leading axes.

    Attributes
    ----------
    shots : (...)
        Shots in which the joint moves at all.
    scatter, jitter : (..., 3, 3)
        Each shot's, times its seconds.
    outer : (..., 6, 6)
        ``six(D) six(D)ᵀ`` of ``D = scatter − jitter``, times seconds: how the shots differ.
    within : (..., 6, 6)
        Covariance of six(D) within the shots, times seconds squared.
    moved, moved_squared, moved_squared_known : (...)
        Trace of the scatter times seconds, its square, and its square in shots that have a covariance.
    doubt, doubt_squared : (...)
        Variance of a shot's axis in units of its weight, and its square over the degrees of freedom.
    """

    shots: Array
    scatter: Array
    jitter: Array
    outer: Array
    within: Array
    moved: Array
    moved_squared: Array
    moved_squared_known: Array
    doubt: Array
    doubt_squared: Array

    @classmethod
    def none(cls, *shape: int) -> Sums:
        """Return the sums over no shots."""
        ends = ((), (3, 3), (3, 3), (6, 6), (6, 6), (), (), (), (), ())
        return cls(*(np.zeros(shape + end) for end in ends))

    @classmethod
    def of(cls, evidence: ShotEvidence) -> Sums:
        """Return the sums of one shot (J,)."""
        seconds = evidence.seconds
        square = seconds[:, None, None]
        scatter, jitter = evidence.scatter * square, evidence.jitter * square
        six = six_from_matrix(scatter - jitter)
        within = evidence.covariance * square**2
        moved = np.trace(scatter, axis1=1, axis2=2)
        known = evidence.freedom > 0.0
        _, columns = np.linalg.eigh(evidence.scatter)
        doubt = np.zeros(len(seconds))
        for across in (0, 1):
            weights = pairing(columns[:, :, 2], columns[:, :, across])
            doubt += np.einsum("ni,nij,nj->n", weights, within, weights)
        return cls(
            shots=(moved > 0.0).astype(np.float64),
            scatter=scatter,
            jitter=jitter,
            outer=six[:, :, None] * six[:, None, :],
            within=within,
            moved=moved,
            moved_squared=moved**2,
            moved_squared_known=np.where(known, moved**2, 0.0),
            doubt=doubt,
            doubt_squared=np.where(known, doubt**2 / np.maximum(evidence.freedom, 1.0), 0.0),
        )

    def __add__(self, other: Sums) -> Sums:
        """Return the sums over both; leading axes broadcast."""
        return Sums(
            *(getattr(self, each.name) + getattr(other, each.name) for each in fields(self))
        )

    def __sub__(self, other: Sums) -> Sums:
        """Return the sums without the other's shots; what rounding leaves below zero is zero."""
        left = {
            each.name: getattr(self, each.name) - getattr(other, each.name) for each in fields(self)
        }
        for name in ("shots", "moved", "moved_squared", "moved_squared_known", "doubt"):
            before = getattr(self, name)
            left[name] = np.where(left[name] > 1e-12 * before, left[name], 0.0)
        left["doubt_squared"] = np.maximum(left["doubt_squared"], 0.0)
        return Sums(**left)

    def __getitem__(self, places: object) -> Sums:
        """Return the sums of some entries of the leading axes."""
        return Sums(*(getattr(self, each.name)[places] for each in fields(self)))

    @classmethod
    def stacked(cls, several: list[Sums], axis: int) -> Sums:
        """Return sums side by side along a new leading axis."""
        return cls(
            *(
                np.stack([getattr(each, field.name) for each in several], axis=axis)
                for field in fields(cls)
            )
        )

    @classmethod
    def joined(cls, several: list[Sums], axis: int) -> Sums:
        """Return sums one after the other along a leading axis."""
        return cls(
            *(
                np.concatenate([getattr(each, field.name) for each in several], axis=axis)
                for field in fields(cls)
            )
        )


@dataclass(frozen=True, eq=False)
class PooledFit:
    """The axis that all shots agree on, and how sure it is.

    Attributes
    ----------
    axes : (..., 3, 3)
        Rows: the first axis, and two at right angles to it, right-handed.
    squares : (..., 3)
        Scatter along them, jitter left out of the second and the third, in radians squared times seconds.
    gap : (..., 2)
        By how much the first of them, jitter left out, is larger than the other two.
    effective_shots : (...)
        ``(Σ m)² / Σ m²`` of the shots' movement: how many equal shots the evidence is worth.
    between, within : (..., 2, 2)
        Covariance of the axis's tilt towards the second and the third axis, from how the shots differ and
        from the keys of each shot.
    within_freedom : (...)
        Degrees of freedom of ``within``, 0 where there is none.
    """

    axes: Array
    squares: Array
    gap: Array
    effective_shots: Array
    between: Array
    within: Array
    within_freedom: Array

    @property
    def between_freedom(self) -> Array:
        """Degrees of freedom (...) of ``between``: one less than the effective number of shots."""
        result: Array = np.maximum(self.effective_shots - 1.0, 0.0)
        return result

    def variance(self, pull: Array, confidence: float = 0.95) -> tuple[Array, Array, Flags]:
        """Return the variance of something that changes with the tilt, and its degrees of freedom.

        Parameters
        ----------
        pull : (..., 2)
            Change of the thing with a tilt towards the second and the third axis.
        confidence
            How sure the contradiction of two shots has to be before it counts.

        Returns
        -------
        variance, freedom : (...)
            NaN and 0 where nothing is known.
        from_shots : (...)
            True where the spread of the shots decided it, False where the keys within them did.

        Notes
        -----
        The larger of the two estimates. The spread of the shots is right whatever the reason why they
        differ, but with few shots it may be small by chance, and then the keys within the shots know better;
        those in turn know nothing of an axis that moves from shot to shot. With fewer than two shots' worth
        of evidence the spread counts only where it is larger than chance makes it (an F test); from ten on it
        counts alone.
        """
        between = np.einsum("...i,...ij,...j->...", pull, self.between, pull)
        within = np.einsum("...i,...ij,...j->...", pull, self.within, pull)
        freedom = np.maximum(self.between_freedom, 1.0)
        knows = self.within_freedom > 0.0
        enough = self.effective_shots >= SHOTS_FOR_THEIR_SPREAD
        limit = fdtri(freedom, np.maximum(self.within_freedom, 1.0), confidence)
        contradict = (self.effective_shots > 1.5) & knows & (between > limit * within)
        alone = ~knows & (self.effective_shots > 1.5)
        plenty = self.effective_shots >= SHOTS_THAT_SPEAK_ALONE
        from_shots = (enough & (between > within)) | contradict | alone | plenty
        variance = np.where(from_shots, between, np.where(knows, within, np.nan))
        freedom = np.where(from_shots, freedom, self.within_freedom)
        return np.maximum(variance, 0.0), freedom, from_shots

    def covariance(self, confidence: float = 0.95) -> tuple[Array, Array, Flags]:
        """Return the covariance (..., 2, 2) of the tilt, its degrees of freedom, and where it is from (...).

        The one of the two that :meth:`variance` takes in the direction in which they are widest; NaN and 0
        where nothing is known.
        """
        widest = _longest(self.between + self.within)
        _, freedom, from_shots = self.variance(widest, confidence)
        chosen = np.where(from_shots[..., None, None], self.between, self.within)
        return np.where((freedom > 0.0)[..., None, None], chosen, np.nan), freedom, from_shots


def _longest(covariance: Array) -> Array:
    """Return the unit vector (..., 2) along which a covariance (..., 2, 2) is largest."""
    result: Array = np.linalg.eigh(covariance)[1][..., :, 1]
    return result


def fit_sums(sums: Sums) -> PooledFit:
    """Return the axis that the sums of shots lead to.

    Parameters
    ----------
    sums
        Over shots, leading axes (...).

    Returns
    -------
    PooledFit

    Notes
    -----
    The axis is the eigenvector of ``Σ (scatter − jitter)`` that belongs to the first one of ``Σ scatter``.
    Taking the jitter out is the correction for errors in variables (W. A. Fuller, Measurement Error Models,
    1987): jitter that is alike in all directions would not move the axis, other jitter would, the more so the
    less the joint moves.

    A shot tilts the axis by ``aᵀ D e / (gap)``. The spread of that over the shots gives the cluster-robust
    (sandwich) variance (K.-Y. Liang and S. Zeger, Biometrika 73, 1986) with the correction for few clusters
    that follows from their shares h of the evidence: over ``1 − Σ h²`` (R. M. Bell and D. F. McCaffrey, Survey
    Methodology 28, 2002, worked out for this mean), and ``1 / Σ h² − 1`` degrees of freedom.
    """
    columns = np.linalg.eigh(sums.scatter)[1]
    plain = columns[..., :, 2]
    steady, frames = np.linalg.eigh(sums.scatter - sums.jitter)
    alike = np.abs(np.einsum("...c,...cp->...p", plain, frames))
    first = np.argmax(alike, axis=-1)[..., None]
    rest = np.sort((first + np.array([1, 2])) % 3, axis=-1)[..., ::-1]
    places = np.concatenate((first, rest), axis=-1)
    axes = np.swapaxes(np.take_along_axis(frames, places[..., None, :], axis=-1), -1, -2).copy()
    values = np.take_along_axis(steady, places, axis=-1)
    axes[..., 2, :] = np.cross(axes[..., 0, :], axes[..., 1, :])

    # Where jitter is all there is, the gap has no size; the axis is then uncertain without bound.
    floor = 1e-9 * sums.moved[..., None] + 1e-150
    gap = np.maximum(values[..., :1] - values[..., 1:], floor)
    pairs = pairing(axes[..., :1, :], axes[..., 1:, :])  # (..., 2, 6)
    scale = gap[..., :, None] * gap[..., None, :]
    shares = sums.moved_squared / np.maximum(sums.moved, 1e-150) ** 2
    effective = np.where(sums.moved > 0.0, 1.0 / np.maximum(shares, 1e-300), 0.0)
    between = np.einsum("...ai,...ij,...bj->...ab", pairs, sums.outer, pairs) / scale
    between = between / np.maximum(1.0 - shares, 1e-3)[..., None, None]
    within = np.einsum("...ai,...ij,...bj->...ab", pairs, sums.within, pairs) / scale
    known = sums.moved_squared_known
    filled = sums.moved_squared / np.where(known > 0.0, known, np.inf)
    within = within * filled[..., None, None]
    freedom = np.where(
        known > 0.0,
        np.where(sums.doubt > 0.0, sums.doubt**2 / np.maximum(sums.doubt_squared, 1e-300), 1000.0),
        0.0,
    )
    whole = np.einsum("...r,...rc,...c->...", axes[..., 0, :], sums.scatter, axes[..., 0, :])
    squares = np.concatenate((whole[..., None], np.maximum(values[..., 1:], 0.0)), axis=-1)
    return PooledFit(axes, squares, gap, effective, between, within, np.minimum(freedom, 1000.0))
