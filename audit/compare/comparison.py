"""Two examined shots compared."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.compare import document as contract
from audit.compare.axes import AxesChange
from audit.compare.matching import Matching, match_joints
from audit.compare.motion import Motion, compare_motion, pose_world
from audit.compare.resting import RestChange, rest_change
from audit.compare.verdicts import Verdict, verdict
from audit.pipeline import Examination
from audit.resting import RestExamination, examine_rest
from audit.results import Document


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two shots, and what changed from one to the other.

    Attributes
    ----------
    before, after
        The shots with their measures and findings.
    matching
        Which joint is which.
    motion
        Whether the motion is the same.
    axes
        By how much the axes of the matched joints are turned.
    verdicts
        For each matched joint, whether it got cleaner or messier.
    rest
        What is new and what is gone about the rest pose.
    """

    before: Examination
    after: Examination
    matching: Matching
    motion: Motion
    axes: AxesChange
    verdicts: tuple[Verdict, ...]
    rest: RestChange

    @cached_property
    def document(self) -> Document:
        """The comparison as it stands in ``comparison.json``."""
        return contract.document(
            self.before,
            self.after,
            self.matching,
            self.motion,
            self.axes,
            self.verdicts,
            self.rest,
        )

    @property
    def is_worse(self) -> bool:
        """Whether the motion is not known to be the same, or a joint got messier."""
        return self.motion.same != "yes" or "messier" in self.verdicts


def compare(before: Examination, after: Examination) -> Comparison:
    """Compare two shots.

    Parameters
    ----------
    before, after
        The shots with their measures and findings, made with the same settings.

    Returns
    -------
    Comparison
    """
    first, second = before.shot, after.shot
    # Places beyond all measure come out as infinitely far apart, which is what the comparison has to say.
    with np.errstate(over="ignore", invalid="ignore"):
        matching = match_joints(
            first.skeleton,
            second.skeleton,
            pose_world(first, first.times_s[:1]).positions[..., 0].T,
            pose_world(second, second.times_s[:1]).positions[..., 0].T,
        )
        motion, axes = compare_motion(first, second, matching)
    rows, other_rows = before.document["joints"], after.document["joints"]
    verdicts = tuple(
        verdict(rows[joint], other_rows[other], same_range=motion.whole)
        for joint, other in zip(matching.before, matching.after, strict=True)
    )
    rest = rest_change(_at_rest(before), _at_rest(after), matching)
    return Comparison(before, after, matching, motion, axes, verdicts, rest)


def _at_rest(examined: Examination) -> RestExamination:
    """Return the rest pose of a shot, with what its motion says of the rig where it says anything."""
    shot, measures = examined.shot, examined.measures
    told = shot.frames > 1 and measures.settings.reference == "rest"
    return examine_rest(shot, motion=measures if told else None)
