"""The evidence of many shots, rig by rig, in memory that does not grow with their number."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.model import Shot, Skeleton
from audit.pool import Pool, ShotEvidence, drift, evidence_of, matching_places, rig_key
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LIMB_AGREES_DEG = 0.5
"""Limb axes of one joint that are further apart belong to other axes (our choice: what counts as aimed)."""

SILENT = (
    "seconds",
    "keys",
    "wild_keys",
    "scatter",
    "jitter",
    "covariance",
    "freedom",
    "independent_keys",
    "excursion",
    "axis",
    "off_axis",
    "margin_seconds",
)
"""What is zero in evidence that says nothing."""


class RigEvidence:
    """What the shots of one rig say.

    Parameters
    ----------
    first
        The first shot: its skeleton is the reference that later ones are held against.

    Attributes
    ----------
    skeleton, has_rest_rotations
        The first shot's.
    label
        Name of the first shot.
    pool
        The evidence.
    shots
        How many shots there were.
    drift_deg, drift_move : (J,)
        Largest angle between a rest frame, or a limb axis in it, and the reference's, and largest distance
        between rest positions as a share of the height, over all shots.
    drift_shots : (J,)
        Shots in which the joint's rest pose is out of tolerance; they say nothing about its axes.
    drift_label
        Name of the shot with the largest angle, or else move; None where there was no drift.
    """

    def __init__(self, first: Shot) -> None:
        joints = len(first.skeleton)
        self.skeleton: Skeleton = first.skeleton
        self.has_rest_rotations = first.has_rest_rotations
        self.label = first.source.label
        self.pool = Pool(first.skeleton)
        self.shots = 0
        self.drift_deg, self.drift_move = np.zeros(joints), np.zeros(joints)
        self.drift_shots: Indices = np.zeros(joints, dtype=np.int64)
        self.drift_label: list[str | None] = [None] * joints

    def add(self, shot: Shot, settings: Settings) -> None:
        """Add a shot of the same joints; where a rest frame has drifted, its evidence is left out."""
        evidence = evidence_of(shot, settings)
        if shot.skeleton is not self.skeleton:
            places = matching_places(self.skeleton, shot.skeleton)
            evidence = evidence.take(places)
            found = drift(self.skeleton, shot.skeleton)
            limb = _apart_deg(self.skeleton.limb_axes, shot.skeleton.limb_axes[places])
            angle = np.maximum(found.angle_deg, np.where(limb > LIMB_AGREES_DEG, limb, 0.0))
            drifted = found.drifted | (limb > LIMB_AGREES_DEG)
            evidence = _without(evidence, drifted)
            self.drift_shots = self.drift_shots + drifted
            worse = drifted & (
                (angle > self.drift_deg)
                | ((angle == self.drift_deg) & (found.move > self.drift_move))
            )
            self.drift_deg = np.where(worse, angle, self.drift_deg)
            self.drift_move = np.where(worse, found.move, self.drift_move)
            for joint in np.flatnonzero(worse):
                self.drift_label[joint] = shot.source.label
        self.pool.add(evidence)
        self.shots += 1


def gather(shots: Iterable[Shot], settings: Settings | None = None) -> tuple[RigEvidence, ...]:
    """Return the evidence of some shots, one entry a rig, in the order in which the rigs came.

    Parameters
    ----------
    shots
        Any shots, read one after the other; none is kept.
    settings
        Thresholds; the project's definitions where None.

    Notes
    -----
    Shots are of one rig where their joints have the same names below the same parents. A shot whose rest frames
    differ is of the same rig, drifted.
    """
    settings = settings or Settings()
    rigs: dict[str, RigEvidence] = {}
    for shot in shots:
        key = rig_key(shot.skeleton)
        if key not in rigs:
            rigs[key] = RigEvidence(shot)
        rigs[key].add(shot, settings)
    return tuple(rigs.values())


def _apart_deg(one: Array, two: Array) -> Array:
    """Return the angles (J,) between directions (J, 3); 0 where either is none."""
    chord = np.nan_to_num(np.linalg.norm(one - two, axis=1))
    apart: Array = np.rad2deg(2.0 * np.arcsin(np.minimum(0.5 * chord, 1.0)))
    return apart


def _without(evidence: ShotEvidence, joints: npt.NDArray[np.bool_]) -> ShotEvidence:
    """Return evidence in which some joints say nothing."""
    if not joints.any():
        return evidence

    def blank(values: npt.NDArray[np.generic], empty: float = 0.0) -> npt.NDArray[np.generic]:
        shape = (-1,) + (1,) * (values.ndim - 1)
        return np.where(joints.reshape(shape), np.array(empty, dtype=values.dtype), values)

    changed: dict[str, Any] = {name: blank(getattr(evidence, name)) for name in SILENT}
    changed["least_margin"] = blank(evidence.least_margin, 0.5 * np.pi)
    return replace(evidence, **changed)
