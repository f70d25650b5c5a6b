"""What one shot says about the axes of its joints, in a few numbers a joint."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDERS
from audit.measures.blocks import blocks, measured_rotations
from audit.measures.hinge import ROUNDING, block_lengths, continuous_turn
from audit.model import Shot
from audit.model.frozen import Frozen
from audit.pool.sixfold import matrix_from_six, pairing, six_from_matrix, six_products
from audit.pool.steady import key_weights
from audit.rotations import (
    conjugate,
    middle_angle_sine,
    multiply,
    rotation_vector_from_quaternion,
)
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

KEYS_FOR_CERTAINTY = 8
"""With fewer keys than this a shot says nothing about how sure it is."""

JITTER_LAG_S = 0.05
"""Second differences over this time tell jitter from motion: what changes in less than that is jitter (our
choice; the fastest tracked motion of a limb turns round in several times as long)."""

JITTER_AT_MOST = 0.75
"""No more than this share of the scatter along a shot's own axis is taken for jitter."""

MARGIN_EDGES_DEG = (15.0, 30.0, 45.0, 60.0, 75.0)
"""Edges of the bins in which time is counted by the distance of the middle channel from ±90°."""


@dataclass(frozen=True, eq=False)
class ShotEvidence(Frozen):
    """What one shot says about each of J joints. Radians and seconds, in the joint's own axes.

    Attributes
    ----------
    shot
        Name of the shot, as people call it.
    seconds : (J,)
        Time that the trusted keys stand for.
    keys, wild_keys : (J,)
        Keys there are, and keys that are pops and count less than half.
    mean : (J, 4)
        Mean rotation away from rest, a quaternion.
    scatter : (J, 3, 3)
        Mean of ``v vᵀ`` over time, with ``v = log(M⁻¹ Q)`` about the shot's own mean rotation M.
    jitter : (J, 3, 3)
        The part of it that changes from key to key: mean of ``d dᵀ`` over second differences d of v, made as
        large as v itself would be for noise without memory. Zero where keys are too far apart to tell.
    covariance : (J, 6, 6)
        How uncertain the six numbers of ``scatter − jitter`` are; see :mod:`audit.pool.sixfold`.
    freedom : (J,)
        Degrees of freedom of that covariance, 0 where the keys are too few for one.
    independent_keys : (J,)
        How many independent keys the keys are worth: keys over the length of the blocks that go together.
    excursion : (J, 2)
        Least and greatest turn about the shot's own first axis, counted from rest.
    axis : (J, 3)
        That axis: first eigenvector of the scatter, either sign.
    off_axis : (J,)
        Root mean square of the rest.
    least_margin : (J, 6)
        Least distance of the middle channel from ±90°, in each of the six rotation orders.
    margin_seconds : (J, 6, 6)
        Time in each order (first) with a distance of up to 15°, 30°, 45°, 60°, 75°, 90° (last).
    """

    shot: str
    seconds: Array
    keys: Indices
    wild_keys: Indices
    mean: Array
    scatter: Array
    jitter: Array
    covariance: Array
    freedom: Array
    independent_keys: Array
    excursion: Array
    axis: Array
    off_axis: Array
    least_margin: Array
    margin_seconds: Array

    def __post_init__(self) -> None:
        for field in fields(self)[1:]:
            array = np.ascontiguousarray(getattr(self, field.name))
            array.setflags(write=False)
            object.__setattr__(self, field.name, array)

    def __len__(self) -> int:
        """Return the number of joints."""
        return len(self.seconds)

    def take(self, places: Indices) -> ShotEvidence:
        """Return the evidence with its joints in another order: ``places`` (J,) says where each one stands."""
        chosen = {field.name: getattr(self, field.name)[places] for field in fields(self)[1:]}
        return replace(self, **chosen)


def evidence_of(shot: Shot, settings: Settings | None = None) -> ShotEvidence:
    """Return what a shot says about the axes of its joints.

    Parameters
    ----------
    shot
        Any shot.
    settings
        Only ``reference`` matters here; the project's definitions where None.

    Returns
    -------
    ShotEvidence
        Of all J joints. A hinge ``Q = C·exp(a φ)`` shows the same axis a in every shot, whatever the constant
        C in front is there, because each shot is looked at about its own mean rotation.

    Notes
    -----
    Takes a few passes over the keys; the time grows in proportion to joints times keys.
    """
    settings = settings or Settings()
    joints = len(shot.skeleton)
    draft: dict[str, npt.NDArray[np.generic]] = {
        "seconds": np.zeros(joints),
        "keys": np.zeros(joints, dtype=np.int64),
        "wild_keys": np.zeros(joints, dtype=np.int64),
        "mean": np.zeros((joints, 4)),
        "scatter": np.zeros((joints, 3, 3)),
        "jitter": np.zeros((joints, 3, 3)),
        "covariance": np.zeros((joints, 6, 6)),
        "freedom": np.zeros(joints),
        "independent_keys": np.zeros(joints),
        "excursion": np.zeros((joints, 2)),
        "axis": np.zeros((joints, 3)),
        "off_axis": np.zeros(joints),
        "least_margin": np.zeros((joints, 6)),
        "margin_seconds": np.zeros((joints, 6, 6)),
    }
    for places, _ in blocks(shot):
        quaternion = measured_rotations(shot, settings.reference, places)
        for name, values in _block_evidence(quaternion, shot.joint_times(int(places[0]))).items():
            draft[name][places] = values
    return ShotEvidence(shot.source.label, **draft)  # type: ignore[arg-type]


def _key_seconds(times_s: Array) -> Array:
    """Return the time (F,) that each key stands for: half the gaps on both sides, a whole one at the ends."""
    if len(times_s) == 1:
        return np.zeros(1)
    gaps = np.diff(times_s)
    padded = np.concatenate((gaps[:1], gaps, gaps[-1:]))
    seconds: Array = 0.5 * (padded[1:] + padded[:-1])
    return seconds


def _block_evidence(quaternion: Array, times_s: Array) -> dict[str, npt.NDArray[np.generic]]:
    """Return the evidence of N joints with the same key times, from rotations (4, N, F)."""
    joints, frames = quaternion.shape[1:]
    trust = key_weights(quaternion, times_s)
    held = trust * _key_seconds(times_s)  # (N, F), seconds
    seconds = np.sum(held, axis=1)
    weights = held / np.maximum(seconds, 1e-300)[:, None]
    mean = _mean_rotation(quaternion, weights)
    vector = rotation_vector_from_quaternion(multiply(conjugate(mean)[..., None], quaternion))

    products = six_products(vector)
    differences, told = _second_differences(vector, trust, times_s)
    jitters = six_products(differences)
    scatter = np.einsum("inf,nf->ni", products, weights)
    share = np.sum(weights * told, axis=1)
    weights_told = weights * told / np.where(share > 0.5, share, np.inf)[:, None]
    jitter = np.einsum("inf,nf->ni", jitters, weights_told)
    scatter[np.sum(scatter[:, :3], axis=1) <= ROUNDING**2] = 0.0
    matrix = matrix_from_six(scatter)
    squares, columns = np.linalg.eigh(matrix)
    axis = columns[:, :, 2]
    # What is taken for jitter never eats up the motion itself, which may be a fast one.
    loud = np.einsum("nr,nrc,nc->n", axis, matrix_from_six(jitter), axis)
    part = np.minimum(1.0, JITTER_AT_MOST * squares[:, 2] / np.maximum(loud, 1e-300))
    jitter, weights_told = jitter * part[:, None], weights_told * part[:, None]

    along = np.einsum("nc,cnf->nf", axis, vector)
    rest = rotation_vector_from_quaternion(conjugate(mean))
    turn = continuous_turn(along) - np.einsum("nc,cn->n", axis, rest)[:, None]
    seen = trust >= 0.5
    figures: dict[str, npt.NDArray[np.generic]] = {
        "seconds": seconds,
        "keys": np.full(joints, frames),
        "wild_keys": np.count_nonzero(~seen, axis=1),
        "mean": mean.T,
        "scatter": matrix,
        "jitter": matrix_from_six(jitter),
        "excursion": np.stack(
            (
                np.min(np.where(seen, turn, np.inf), axis=1),
                np.max(np.where(seen, turn, -np.inf), axis=1),
            ),
            axis=1,
        ),
        "axis": axis,
        "off_axis": np.sqrt(np.maximum(squares[:, 0] + squares[:, 1], 0.0)),
        **_margins(quaternion, held, seen),
    }
    if frames >= KEYS_FOR_CERTAINTY:
        parts = weights * products - weights_told * jitters
        figures |= _certainty(parts, vector, weights, scatter - jitter, columns, squares)
    return figures


def _mean_rotation(quaternion: Array, weights: Array) -> Array:
    """Return the chordal mean (4, N) with weights of its own for every joint (N, F).

    F. L. Markley, Y. Cheng, J. L. Crassidis, Y. Oshman, J. Guidance, Control, and Dynamics 30(4), 2007, as in
    :func:`audit.rotations.mean_quaternion`.
    """
    by_joint = np.moveaxis(quaternion, 0, 1)
    moments = (by_joint * weights[:, None]) @ np.swapaxes(by_joint, 1, 2)
    mean = np.linalg.eigh(moments)[1][..., -1].T
    return np.where(mean[3] < 0.0, -mean, mean)


def _second_differences(vector: Array, trust: Array, times_s: Array) -> tuple[Array, Flags]:
    """Return second differences (3, N, F), scaled to the size of noise without memory, and where they hold.

    ``(v₋ − 2v + v₊) / √6`` over equal times has the variance of v itself where v is noise without memory
    (the variance estimator of T. Gasser, L. Sroka, C. Jennen-Steinmetz, Biometrika 73, 1986).
    """
    frames = len(times_s)
    differences = np.zeros_like(vector)
    told = np.zeros(trust.shape, dtype=bool)
    if frames < KEYS_FOR_CERTAINTY:
        return differences, told
    gap = float(np.median(np.diff(times_s)))
    lag = max(1, round(JITTER_LAG_S / gap))
    if gap > 2.0 * JITTER_LAG_S or frames < 4 * lag + 1:
        return differences, told
    inner = slice(lag, frames - lag)
    before, after = vector[..., : -2 * lag], vector[..., 2 * lag :]
    differences[..., inner] = (before - 2.0 * vector[..., inner] + after) / np.sqrt(6.0)
    earlier, later = (
        times_s[inner] - times_s[: -2 * lag],
        times_s[2 * lag :] - times_s[inner],
    )
    even = (np.abs(earlier - later) < 0.1 * gap) & (earlier < 1.5 * lag * gap)
    good = trust >= 0.5
    told[:, inner] = good[:, inner] & good[:, : -2 * lag] & good[:, 2 * lag :] & even
    # Half a turn apart the rotation vector leaps to the other side: no jitter, and nothing to be told.
    leaps = np.max(np.abs(differences), axis=0) > 0.5 * np.pi
    told &= ~leaps
    differences *= told
    return differences, told


def _certainty(
    parts: Array, vector: Array, weights: Array, six: Array, columns: Array, squares: Array
) -> dict[str, npt.NDArray[np.generic]]:
    """Return covariance, freedom and independent keys of N joints.

    Parameters
    ----------
    parts : (6, N, F)
        What each key adds to the six numbers.
    vector : (3, N, F)
        Rotation vectors.
    weights : (N, F)
        Of the keys.
    six : (N, 6)
        The sum of the parts.
    columns, squares : (N, 3, 3), (N, 3)
        Eigenvectors and eigenvalues of the scatter, rising.

    Notes
    -----
    A key acts twice: by its own part, and by moving the mean rotation by δ = w v, which turns every vector
    by half of ``v × δ`` (Baker-Campbell-Hausdorff) and the matrix D by half of ``D[δ] − [δ]D``. The variance of
    the sum is that of a moving-block bootstrap with infinitely many draws, with the leverage of each run
    taken off, as in :func:`audit.measures.hinge.certainty`, which says more.
    """
    joints, frames = weights.shape
    matrix = matrix_from_six(six)
    basis = np.zeros((3, 3, 3))  # [e_i] as matrices: first index i
    for i in range(3):
        basis[i, (i + 2) % 3, (i + 1) % 3], basis[i, (i + 1) % 3, (i + 2) % 3] = 1.0, -1.0
    turns = np.einsum("nrk,ikc->nirc", matrix, basis) - np.einsum("irk,nkc->nirc", basis, matrix)
    turns = 0.5 * six_from_matrix(turns)  # (N, 3, 6): per unit of δ along x, y, z
    influence = parts + np.einsum("nis,inf,nf->snf", turns, vector, weights)
    influence -= six.T[:, :, None] * weights

    tilts = np.stack(
        [pairing(columns[:, :, 2], columns[:, :, 1]), pairing(columns[:, :, 2], columns[:, :, 0])]
    )
    moves = np.einsum("tns,snf->tnf", tilts, influence)
    lengths = block_lengths(moves)
    along = np.einsum("nc,cnf->nf", columns[:, :, 2], vector)
    lever = along * along * weights / np.maximum(squares[:, 2], 1e-300)[:, None] + weights
    covariance = np.zeros((joints, 6, 6))
    for length in np.unique(lengths):
        rows = np.flatnonzero(lengths == length)
        runs = _run_sums(influence[:, rows], int(length))
        runs = runs / (1.0 - np.minimum(_run_sums(lever[rows], int(length)), 0.9))
        by_joint = np.moveaxis(runs, 0, 1)
        total = by_joint @ np.swapaxes(by_joint, 1, 2)
        covariance[rows] = total * (frames / length / runs.shape[-1])
    kept = np.count_nonzero(weights > 0.0, axis=1)
    return {
        "covariance": covariance,
        "freedom": np.maximum(1.5 * kept / lengths - 2.0, 1.0),
        "independent_keys": kept / lengths,
    }


def _run_sums(values: Array, length: int) -> Array:
    """Return the sum of every run of neighbouring entries (..., F − length + 1)."""
    if length == 1:
        return values
    total = np.cumsum(values, axis=-1)
    runs = total[..., length - 1 :].copy()
    runs[..., 1:] -= total[..., :-length]
    return runs


def _margins(quaternion: Array, held: Array, seen: Flags) -> dict[str, npt.NDArray[np.generic]]:
    """Return least margins (N, 6) and time by margin (N, 6, 6) in all six rotation orders."""
    edges = np.cos(np.deg2rad(MARGIN_EDGES_DEG))  # a margin under 15° is a sine over cos 15°
    least = np.zeros((quaternion.shape[1], len(ORDERS)))
    spent = np.zeros((quaternion.shape[1], len(ORDERS), len(edges) + 1))
    total = np.sum(held, axis=1)
    for place, order in enumerate(ORDERS):
        sine = np.abs(middle_angle_sine(quaternion, order))
        largest = np.max(np.where(seen, sine, 0.0), axis=1)
        least[:, place] = 0.5 * np.pi - np.arcsin(np.minimum(largest, 1.0))
        below = np.zeros(len(total))
        for index, edge in enumerate(edges):
            if np.all(largest < edge):
                continue
            within = np.sum(np.where(sine > edge, held, 0.0), axis=1)
            spent[:, place, index], below = within - below, within
        spent[:, place, -1] = total - below
    return {"least_margin": least, "margin_seconds": np.maximum(spent, 0.0)}
