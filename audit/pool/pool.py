"""The evidence of many shots of one rig, in memory that does not grow with their number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError
from audit.model import Skeleton
from audit.pool.evidence import ShotEvidence
from audit.pool.means import Means
from audit.pool.odd import disagreement
from audit.pool.result import PooledMeasures, pooled_measures
from audit.pool.sums import Sums, fit_sums
from audit.pool.witnesses import Witnesses
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

SHOTS_AT_A_TIME = 16
"""Shots that are put together before the pool looks at what they say; they wait in memory till then."""

SAME_AXIS = np.cos(np.deg2rad(30.0))
"""A shot's excursion is one about the pooled axis where its own axis is within 30° of that (our choice)."""


@dataclass(eq=False)
class Counts:
    """What is counted beside the axes; arrays over J joints."""

    seconds: Array
    keys: Indices
    wild_keys: Indices
    axis: Array
    excursion: Array
    widest: Array
    least_margin: Array
    margin_seconds: Array

    @classmethod
    def none(cls, joints: int) -> Counts:
        """Return the counts of no shots."""
        empty = np.tile([np.inf, -np.inf], (joints, 1))
        whole = np.zeros(joints, dtype=np.int64)
        return cls(
            np.zeros(joints),
            whole,
            whole.copy(),
            np.zeros((joints, 3)),
            empty,
            np.zeros(joints),
            np.full((joints, 6), 0.5 * np.pi),
            np.zeros((joints, 6, 6)),
        )


class Pool:
    """Adds up what the shots of one rig say about its joints.

    Parameters
    ----------
    skeleton
        The rig. Every shot's evidence has its joints in this order.

    Notes
    -----
    What is kept does not grow with the number of shots: sums, the widest excursions, and by name the few
    shots that say most and that contradict the others. Sixteen shots wait until they are looked at together.
    The sums do not depend on the order of the shots beyond rounding; which shots are remembered as odd may,
    where more than eight contradict the others at some joint.
    """

    def __init__(self, skeleton: Skeleton) -> None:
        self.skeleton = skeleton
        self.shots = 0
        joints = len(skeleton)
        self._sums = Sums.none(joints)
        self._means = Means.none(joints)
        self._counts = Counts.none(joints)
        self._strongest = Witnesses.none(joints)
        self._oddest = Witnesses.none(joints)
        self._waiting: list[ShotEvidence] = []

    def add(self, evidence: ShotEvidence) -> None:
        """Add a shot.

        Raises
        ------
        ShapeError
            Where its number of joints differs; :func:`audit.pool.matching_places` puts joints in order.
        """
        if len(evidence) != len(self.skeleton):
            raise ShapeError(
                f"evidence should be given for {len(self.skeleton)} joints, got {len(evidence)}",
                where=evidence.shot,
                hint="Bring the joints into the order of the rig first",
            )
        self._waiting.append(evidence)
        self.shots += 1
        if len(self._waiting) >= SHOTS_AT_A_TIME:
            self._settle()

    def merge(self, other: Pool) -> None:
        """Add all shots of another pool of the same rig, which stays as it is.

        Raises
        ------
        ShapeError
            Where the other pool's joints are not the same ones in the same order.
        """
        if other.skeleton.names != self.skeleton.names:
            raise ShapeError(
                "pools can be merged where their joints are the same, in the same order",
                hint="Pool each rig by itself",
            )
        self._settle()
        other._settle()
        self.shots += other.shots
        self._sums = self._sums + other._sums
        self._means = self._means + other._means
        self._count_axis()
        mine, theirs = self._counts, other._counts
        mine.seconds = mine.seconds + theirs.seconds
        mine.keys = mine.keys + theirs.keys
        mine.wild_keys = mine.wild_keys + theirs.wild_keys
        self._count_excursion(theirs.axis, theirs.excursion, theirs.widest)
        mine.least_margin = np.minimum(mine.least_margin, theirs.least_margin)
        mine.margin_seconds = mine.margin_seconds + theirs.margin_seconds
        self._remember(self._strongest.joined(other._strongest), self._oddest.joined(other._oddest))

    def disagreement(self, evidence: ShotEvidence) -> tuple[Array, Array]:
        """Return how far a shot of the pool is from its other shots, for a second look at each of them.

        Returns
        -------
        angle_deg : (J,)
            Between the shot's own axis and that of the others; NaN where one has none.
        probability : (J,)
            Of so much by chance. With N shots on J joints the smallest of N·J of these is about 1 / (N·J).
        """
        self._settle()
        found = disagreement(self._sums, Sums.of(evidence))
        return np.rad2deg(found.angle), found.probability

    def result(self, settings: Settings | None = None) -> PooledMeasures:
        """Return what all shots together say.

        Parameters
        ----------
        settings
            Thresholds; the project's definitions where None.
        """
        self._settle()
        counts = self._counts
        none = ~np.isfinite(counts.excursion[:, 0])
        excursion = np.where(none[:, None], 0.0, counts.excursion)
        return pooled_measures(
            self.skeleton,
            settings or Settings(),
            sums=self._sums,
            means=self._means,
            excursion=excursion,
            counted_axis=counts.axis,
            widest=counts.widest,
            seconds=counts.seconds,
            keys=counts.keys,
            wild_keys=counts.wild_keys,
            least_margin=counts.least_margin,
            margin_seconds=counts.margin_seconds,
            strongest=self._strongest,
            oddest=self._oddest,
            shots=self.shots,
        )

    def _settle(self) -> None:
        """Look at the shots that wait."""
        if not self._waiting:
            return
        waiting, self._waiting = self._waiting, []
        sums = [Sums.of(each) for each in waiting]
        counts = self._counts
        for each, part in zip(waiting, sums, strict=True):
            self._sums = self._sums + part
            self._means = self._means + Means.of(each)
            counts.seconds = counts.seconds + each.seconds
            counts.keys = counts.keys + each.keys
            counts.wild_keys = counts.wild_keys + each.wild_keys
            counts.least_margin = np.minimum(counts.least_margin, each.least_margin)
            counts.margin_seconds = counts.margin_seconds + each.margin_seconds
        self._count_axis()
        for each in waiting:
            # A joint that stands still has no axis of its own to count an excursion about.
            moves = np.trace(each.scatter, axis1=1, axis2=2) > 0.0
            axis = np.where(moves[:, None], each.axis, 0.0)
            self._count_excursion(axis, each.excursion, np.ptp(each.excursion, axis=1))
        names = np.array([each.shot for each in waiting], dtype=object)
        new = Witnesses(np.tile(names, (len(self.skeleton), 1)), Sums.stacked(sums, axis=1))
        self._remember(self._strongest.joined(new), self._oddest.joined(new))

    def _count_axis(self) -> None:
        """Follow the pooled axis, with the sign that it had before."""
        axis = fit_sums(self._sums).axes[:, 0]
        before = self._counts.axis
        flipped = np.sum(axis * before, axis=1) < 0.0
        self._counts.axis = np.where(flipped[:, None], -axis, axis)

    def _count_excursion(self, axis: Array, excursion: Array, widest: Array) -> None:
        """Widen the excursions by those about an axis (J, 3) that may point the other way."""
        counts = self._counts
        cosine = np.sum(axis * counts.axis, axis=1)
        turned = np.where((cosine < 0.0)[:, None], -excursion[:, ::-1], excursion)
        counts.widest = np.maximum(counts.widest, widest)
        same = (np.abs(cosine) >= SAME_AXIS)[:, None]
        wider = np.stack(
            (
                np.minimum(counts.excursion[:, 0], turned[:, 0]),
                np.maximum(counts.excursion[:, 1], turned[:, 1]),
            ),
            axis=1,
        )
        counts.excursion = np.where(same, wider, counts.excursion)

    def _remember(self, strong: Witnesses, odd: Witnesses) -> None:
        """Keep the strongest and the oddest of some witnesses."""
        self._strongest = strong.first(-strong.sums.moved)
        if odd.names.shape[1]:
            found = disagreement(self._sums[:, None], odd.sums)
            # Below the smallest number that the probability can be, the angle decides.
            ranks = np.log(np.maximum(found.probability, 1e-300)) - 1e-3 * np.nan_to_num(
                found.angle
            )
            self._oddest = odd.first(ranks)
