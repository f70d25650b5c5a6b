"""How far off each estimator is, and how often an interval around it holds the truth."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from audit.measures.offsets import twist_offset
from audit.model import Shot, Skeleton, Source
from audit.pool import Pool, evidence_of
from audit.pool.means import Means, answer_from
from audit.pool.sums import Sums, fit_sums
from tests.benchmarks.estimators.methods import METHODS, Method, Shots
from tests.benchmarks.estimators.synthetic import RATE, Rig

Array = npt.NDArray[np.float64]

GROUPS = 10
"""Groups of the jackknife: of shots where there are several, else of neighbouring keys of the one shot."""

ROUNDING_DEG = 1e-5
"""Errors below this are rounding: without noise an interval has no width."""

OURS = "pooled evidence"


@dataclass(frozen=True)
class Score:
    """Error of the twist offset over all trials, in degrees, and how often the interval held the truth."""

    error_deg: float
    held: float
    half_width_deg: float


def scores(rig: Rig, methods: dict[str, Method] | None = None) -> dict[str, Score]:
    """Return the score of every published method, and of the pooled evidence, on one rig's trials.

    The papers state no interval, so each method gets the same one: a delete-a-group jackknife with Student's t.
    The pooled evidence has its own.
    """
    result = {}
    for name, method in (METHODS if methods is None else methods).items():
        offset = _offset(method(rig.rotations, rig.parents), rig)
        left_out = []
        for rotations, parents in _groups_left_out(rig):
            left_out.append(_wrapped(_offset(method(rotations, parents), rig) - offset))
        spread = np.stack(left_out)
        groups = len(spread)
        away = spread - np.mean(spread, axis=0)
        deviation = np.sqrt((groups - 1) / groups * np.sum(away**2, axis=0))
        reach = float(stdtrit(groups - 1, 0.975)) * deviation
        result[name] = _score(offset, reach, rig)
    result[OURS] = _score(*pooled_offset(rig), rig)
    return result


def pooled_offset(rig: Rig) -> tuple[Array, Array]:
    """Return offset and half the interval (N,) in degrees from the evidence of all shots."""
    sums, means = Sums.none(len(rig.truth_deg)), Means.none(len(rig.truth_deg))
    for rotations in rig.rotations:
        evidence = evidence_of(shot_of(rotations, rig))
        sums, means = sums + Sums.of(evidence), means + Means.of(evidence)
    answer = answer_from(fit_sums(sums), sums, means, 0.95)
    twist = twist_offset(answer.axes[:, 0].T, rig.limb)
    pull = np.einsum("npc,cn->np", answer.axes[:, 1:], twist.gradient)
    return np.rad2deg(twist.offset), np.rad2deg(answer.reach(pull, 0.95))


def skeleton_of(rig: Rig) -> Skeleton:
    """Return a skeleton with one limb a trial."""
    trials = len(rig.truth_deg)
    return Skeleton(
        tuple(f"limb_{trial}" for trial in range(trials)),
        np.full(trials, -1),
        np.zeros((trials, 3)),
        np.tile([0.0, 0.0, 0.0, 1.0], (trials, 1)),
        (None,) * trials,
        np.arange(trials),
        rig.limb.T,
    )


def shot_of(rotations: Array, rig: Rig, name: str = "shot") -> Shot:
    """Return one shot (4, N, F) of a rig's limbs."""
    frames = rotations.shape[2]
    return Shot(
        skeleton_of(rig),
        np.arange(frames) / RATE,
        Source(name),
        rotations=np.transpose(rotations, (2, 1, 0)),
    )


def pool_of(rig: Rig) -> Pool:
    """Return the pool of all shots of a rig."""
    pool = Pool(skeleton_of(rig))
    for number, rotations in enumerate(rig.rotations):
        pool.add(evidence_of(shot_of(rotations, rig, f"shot {number}")))
    return pool


def off_by(offset_deg: Array, truth_deg: Array) -> Array:
    """Return the error in degrees; a quarter turn further on the next half-axis takes over."""
    return _wrapped(offset_deg - truth_deg)


def _wrapped(angle_deg: Array) -> Array:
    result: Array = (angle_deg + 45.0) % 90.0 - 45.0
    return result


def _offset(axis: Array, rig: Rig) -> Array:
    """Return the twist offset (N,) in degrees that an axis leads to."""
    result: Array = np.rad2deg(twist_offset(axis, rig.limb).offset)
    return result


def _score(offset: Array, reach: Array, rig: Rig) -> Score:
    error = off_by(offset, rig.truth_deg)
    return Score(
        float(np.sqrt(np.mean(error**2))),
        float(np.mean(np.abs(error) <= reach + ROUNDING_DEG)),
        float(np.median(reach)),
    )


def _groups_left_out(rig: Rig) -> list[tuple[Shots, Shots]]:
    """Return the rig's shots with one group left out at a time."""
    shots = len(rig.rotations)
    if shots > 1:
        chosen = [
            np.arange(shots) % min(GROUPS, shots) != group for group in range(min(GROUPS, shots))
        ]
        return [
            (
                [each for each, use in zip(rig.rotations, kept, strict=True) if use],
                [each for each, use in zip(rig.parents, kept, strict=True) if use],
            )
            for kept in chosen
        ]
    frames = rig.rotations[0].shape[2]
    edges = np.linspace(0, frames, GROUPS + 1).astype(int)
    left: list[tuple[Shots, Shots]] = []
    for start, end in pairwise(edges):
        kept = np.r_[0:start, end:frames]
        left.append(([rig.rotations[0][..., kept]], [rig.parents[0][..., kept]]))
    return left
