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
        Largest angle between a rest frame and the reference's, and largest distance between rest positions as
        a share of the height, over all shots.
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
            evidence = evidence.take(matching_places(self.skeleton, shot.skeleton))
            found = drift(self.skeleton, shot.skeleton)
            evidence = _without(evidence, found.drifted)
            self.drift_shots = self.drift_shots + found.drifted
            worse = found.drifted & (
                (found.angle_deg > self.drift_deg)
                | ((found.angle_deg == self.drift_deg) & (found.move > self.drift_move))
            )
            self.drift_deg = np.where(worse, found.angle_deg, self.drift_deg)
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
