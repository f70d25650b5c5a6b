"""The axis that a joint really moves on, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from audit.rotations import (
    conjugate,
    mean_quaternion,
    multiply,
    rotation_vector_from_quaternion,
)
from audit.settings import Settings

Array = npt.NDArray[np.float64]


ROUNDING = 1e-12
"""Turns below this, in radians, are rounding and no motion."""


@dataclass(frozen=True, slots=True)
class HingeFit:
    """Principal axes of the motion of N joints over F keys.

    Attributes
    ----------
    axes : (3, 3, N)
        First index: first, second and third principal axis, right-handed; second index: its components in
        the joint's own axes. The first one points so that the larger excursion from rest is positive.
    scatter : (3, N)
        Mean squares along them, in radians squared, falling.
    coordinates : (3, N, F)
        Rotation vectors away from the mean rotation, along the principal axes, in radians.
    angle : (N, F)
        Turn about the first axis, in radians, counted from the rest pose and continuous over time.
    off_axis : (N,)
        Root mean square of what the first axis leaves over, in radians.
    """

    axes: Array
    scatter: Array
    coordinates: Array
    angle: Array
    off_axis: Array

    @property
    def shares(self) -> Array:
        """Share of the motion on each principal axis (3, N); 0 where nothing moves but the last digits."""
        total = np.sum(self.scatter, axis=0)
        moves = total > ROUNDING**2
        return np.where(moves, self.scatter / np.where(moves, total, 1.0), 0.0)

    @property
    def range(self) -> Array:
        """Excursion along the first axis (N,), in radians."""
        result: Array = np.ptp(self.angle, axis=1)
        return result


def fit_hinge(quaternion: Array, weights: Array) -> HingeFit:
    """Fit principal axes to the rotations of joints.

    Parameters
    ----------
    quaternion : (4, N, F)
        Rotations away from rest, in the joint's own axes, unit length.
    weights : (F,)
        Share of the time each key stands for, summing to 1.

    Returns
    -------
    HingeFit

    Notes
    -----
    The rotation vectors ``v = log(M⁻¹ Q)`` about the chordal mean ``M`` are local: for a hinge with a constant
    in front, ``Q = C·exp(a φ)``, they all lie along the axis ``a`` that the joint's own axes see. Their scatter
    matrix weighs each key by the square of its turn, as error propagation asks (Woltring et al., J. Biomech.
    18, 1985, via the direction error that grows as one over the sine of half the turn).
    """
    mean = mean_quaternion(quaternion, weights)
    vector = rotation_vector_from_quaternion(multiply(conjugate(mean)[..., None], quaternion))
    by_joint = np.moveaxis(vector, 0, 1)  # (N, 3, F)
    scatter = (by_joint * weights) @ np.swapaxes(by_joint, 1, 2)
    # Where nothing moves, rounding would choose the axes, and differently on every machine.
    scatter[np.trace(scatter, axis1=1, axis2=2) <= ROUNDING**2] = 0.0
    squares, columns = np.linalg.eigh(scatter)
    axes = np.moveaxis(columns[:, :, ::-1], 0, -1)  # (component, principal, N), largest first
    axes = np.swapaxes(axes, 0, 1)

    rest = rotation_vector_from_quaternion(conjugate(mean))  # where Q = 1 lies, (3, N)
    angle = np.einsum("cn,cnf->nf", axes[0], vector)
    angle = continuous_turn(angle) - np.sum(axes[0] * rest, axis=0)[:, None]
    flipped = np.where(np.max(angle, axis=1) < -np.min(angle, axis=1), -1.0, 1.0)
    first, second = axes[0] * flipped, axes[1]
    third = np.cross(first, second, axis=0)
    axes = np.stack((first, second, third))
    coordinates = np.einsum("pcn,cnf->pnf", axes, vector)
    return HingeFit(
        axes=axes,
        scatter=np.maximum(squares[:, ::-1].T, 0.0),
        coordinates=coordinates,
        angle=angle * flipped[:, None],
        off_axis=np.sqrt(np.maximum(squares[:, 0] + squares[:, 1], 0.0)),
    )


def continuous_turn(angle: Array) -> Array:
    """Take the whole-turn leaps out of angles, for a wheel that goes past half a turn.

    Parameters
    ----------
    angle : (N, F)
        Radians, time on the last axis; a key is within half a turn of the one before, but for whole turns.

    Returns
    -------
    (N, F)
        Radians; the array itself where nothing leaps.
    """
    step = np.diff(angle, axis=1)
    if step.size == 0 or np.max(np.abs(step)) <= np.pi:
        return angle
    result = angle.copy()
    result[:, 1:] -= 2.0 * np.pi * np.cumsum(np.round(step / (2.0 * np.pi)), axis=1)
    return result


@dataclass(frozen=True, slots=True)
class Certainty:
    """How far the fitted axes of N joints may be off.

    Attributes
    ----------
    tilt : (2, 2, N)
        Covariance of the first axis's tilt towards the second and towards the third, in radians squared.
    freedom : (N,)
        Degrees of freedom that each covariance was estimated with.
    """

    tilt: Array
    freedom: Array

    def quantile(self, confidence: float) -> Array:
        """Return the two-sided quantile (N,) of Student's t with these degrees of freedom."""
        return np.asarray(stdtrit(self.freedom, 0.5 + 0.5 * confidence), dtype=np.float64)

    def axis_half_angle(self, confidence: float) -> Array:
        """Return the half-angle (N,) in radians of the cone that holds the true axis.

        The cone goes out as far as the longest half-axis of the confidence ellipse (Hotelling's T² for two
        components), so it is never too narrow in any direction; at most 90°, since an axis has no sign.
        """
        trace = self.tilt[0, 0] + self.tilt[1, 1]
        spread = np.hypot(self.tilt[0, 0] - self.tilt[1, 1], 2.0 * self.tilt[0, 1])
        largest = 0.5 * (trace + spread)
        lower = np.maximum(self.freedom - 1.0, 1.0)
        # Quantile of F with (2, lower) degrees of freedom, in closed form.
        f_quantile = 0.5 * lower * ((1.0 - confidence) ** (-2.0 / lower) - 1.0)
        squared = 2.0 * self.freedom / lower * f_quantile * largest
        angle: Array = np.minimum(np.arctan(np.sqrt(squared)), 0.5 * np.pi)
        return angle


def block_lengths(moves: Array) -> npt.NDArray[np.int64]:
    """Return how many neighbouring keys belong together, for each of N joints.

    Parameters
    ----------
    moves : (2, N, F)
        What each key adds to the tilt, with zero mean.

    Returns
    -------
    (N,)
        1 where neighbours have nothing to do with each other, more where they wobble together; a power of two
        (rounded up), at most a quarter of the keys.

    Notes
    -----
    The plug-in rule of D. W. K. Andrews, Econometrica 59, 1991, for the Bartlett weights that moving blocks
    amount to: ``1.1447 (α F)^(1/3)`` with ``α = 4ρ² / (1 − ρ²)²`` from the correlation ρ between neighbours.
    """
    frames = moves.shape[-1]
    energy = np.sum(moves * moves, axis=(0, 2))
    together = np.sum(moves[..., 1:] * moves[..., :-1], axis=(0, 2))
    rho = np.clip(together / np.maximum(energy, 1e-300), 0.0, 0.97)
    alpha = 4.0 * rho * rho / (1.0 - rho * rho) ** 2
    wanted = np.maximum(1.1447 * np.cbrt(alpha * frames), 1.0)
    most = np.floor(np.log2(max(1.0, frames / 4.0)))
    powers = np.minimum(np.ceil(np.log2(wanted)), most).astype(np.int64)
    lengths: npt.NDArray[np.int64] = 2**powers
    return lengths


def certainty(fit: HingeFit, weights: Array) -> Certainty:
    """Estimate how sure the first axis is, from the keys themselves.

    Parameters
    ----------
    fit
        From :func:`fit_hinge`, of N joints over F keys.
    weights : (F,)
        As given to it.

    Returns
    -------
    Certainty

    Notes
    -----
    To first order each key moves the axis by its own share: ``p₁ p_j / (λ₁ − λ_j)`` towards principal axis
    ``j`` (perturbation of an eigenvector), and half its off-axis turn by way of the mean rotation. The
    variance of their mean is that of a moving-block bootstrap with infinitely many draws, which has a closed
    form: the mean square of the sums of all runs of neighbouring keys (H. R. Künsch, Annals of Statistics
    17, 1989; S. N. Lahiri, Resampling Methods for Dependent Data, 2003). Blocks keep slow wobbles together,
    so that many keys of one wobble do not pass for many witnesses. A run that did much to place the axis
    leaves too small a rest behind, so its sum is divided by one minus its leverage, as in the jackknife form
    of a cluster-robust variance (R. M. Bell and D. F. McCaffrey, Survey Methodology 28, 2002). The tests
    hold it against a drawn bootstrap, and the docs say how often the interval held the truth.
    """
    first, second, third = fit.coordinates
    frames = first.shape[-1]
    gap = np.maximum(fit.scatter[:1] - fit.scatter[1:], 1e-300)[..., None]
    moves = np.stack((first * second / gap[0] - 0.5 * third, first * third / gap[1] + 0.5 * second))
    moves = moves * weights
    moves -= np.mean(moves, axis=2, keepdims=True)
    lever = first * first * weights / np.maximum(fit.scatter[0], 1e-300)[:, None] + weights
    lengths = block_lengths(moves)
    tilt = np.zeros((2, 2, len(lengths)))
    for length in np.unique(lengths):
        rows = np.flatnonzero(lengths == length)
        runs = _run_sums(moves[:, rows], int(length))
        runs = runs / (1.0 - np.minimum(_run_sums(lever[rows], int(length)), 0.9))
        squares = np.einsum("inr,jnr->ijn", runs, runs) / runs.shape[-1]
        tilt[:, :, rows] = squares * (frames / length)
    return Certainty(tilt=tilt, freedom=np.maximum(1.5 * frames / lengths - 2.0, 1.0))


def _run_sums(values: Array, length: int) -> Array:
    """Return the sum of every run of neighbouring entries (..., F − length + 1)."""
    if length == 1:
        return values
    total = np.cumsum(values, axis=-1)
    runs = total[..., length - 1 :].copy()
    runs[..., 1:] -= total[..., :-length]
    return runs


def kinds_of(ranges_deg: Array, shares: Array, settings: Settings) -> list[str]:
    """Return the kind of each joint: ``still``, ``hinge``, ``two-axis`` or ``free``.

    Parameters
    ----------
    ranges_deg : (N,)
        Excursion about the first axis, in degrees.
    shares : (3, N)
        Share of the motion on each principal axis.
    settings
        Thresholds.
    """
    kinds = np.select(
        [
            ranges_deg < settings.still_range_deg,
            shares[0] >= settings.hinge_share,
            shares[0] + shares[1] >= settings.two_axis_share,
        ],
        ["still", "hinge", "two-axis"],
        "free",
    )
    return [str(kind) for kind in kinds]
