"""The few shots that are remembered by name: those that say most, and those that contradict the others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.pool.sums import Sums

Array = npt.NDArray[np.float64]
Names = npt.NDArray[np.object_]

REMEMBERED = 8
"""Shots of each kind that are remembered for every joint."""


@dataclass(frozen=True, eq=False)
class Witnesses:
    """Up to K shots for each of J joints.

    Attributes
    ----------
    names : (J, K)
        Their names, None where there are fewer.
    sums : (J, K)
        What each of them says.
    """

    names: Names
    sums: Sums

    @classmethod
    def none(cls, joints: int) -> Witnesses:
        """Return no witnesses at all."""
        return cls(np.full((joints, 0), None, dtype=object), Sums.none(joints, 0))

    def joined(self, other: Witnesses) -> Witnesses:
        """Return both, side by side."""
        return Witnesses(
            np.concatenate((self.names, other.names), axis=1),
            Sums.joined([self.sums, other.sums], axis=1),
        )

    def first(self, ranks: Array) -> Witnesses:
        """Return those with the lowest ranks (J, K), at most as many as are remembered, in that order."""
        if not ranks.shape[1]:
            return self
        chosen = np.argsort(ranks, axis=1, kind="stable")[:, :REMEMBERED]
        rows = np.arange(len(ranks))[:, None]
        return Witnesses(self.names[rows, chosen], self.sums[rows, chosen])
