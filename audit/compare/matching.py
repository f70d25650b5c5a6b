"""Which joint of one skeleton is which joint of another: by name first, then by place in the hierarchy."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from audit.model import Skeleton

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
How = Literal["name", "place"]

SAME_LENGTH = 0.01
"""Bones whose lengths differ by a larger share are not taken for one renamed joint (our choice)."""

NOWHERE = -1


@dataclass(frozen=True, eq=False)
class Matching:
    """Which joints of two skeletons are the same.

    Attributes
    ----------
    before, after : (N,)
        Places of the matched joints in either skeleton, in the order of the first one.
    how
        For each of them, whether the ``name`` or the ``place`` in the hierarchy says so.
    lost : (L,), added : (M,)
        Places of joints that only the first, and only the second skeleton has.
    changed_parents : (N,) bool
        Where the parent in the second skeleton is not the one that the parent in the first is matched to.
    """

    before: Indices
    after: Indices
    how: tuple[How, ...]
    lost: Indices
    added: Indices
    changed_parents: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        """Return the number of matched joints."""
        return len(self.before)


def match_joints(
    before: Skeleton, after: Skeleton, places_before: Array, places_after: Array
) -> Matching:
    """Match the joints of two skeletons.

    Parameters
    ----------
    before, after
        The skeletons.
    places_before : (J, 3), places_after : (K, 3)
        World positions of their joints in the same pose, as far as there is one. They only tell apart joints
        that hang on the same parent with the same shape below them, such as two renamed legs.

    Returns
    -------
    Matching

    Notes
    -----
    A name that either skeleton has twice is compared with the names of all joints above it. A joint that no
    name matches is taken for a renamed one where its parent, or a child of it, is matched, the same number of
    joints hangs below it in the same shape (or it is the only one left on both sides) and its distance from
    the parent is the same to within 1 %.
    """
    draft = _Draft(before, after)
    draft.by_name()
    draft.by_place(places_before, places_after)
    return draft.finished()


class _Draft:
    """The matches while they are being found."""

    def __init__(self, before: Skeleton, after: Skeleton) -> None:
        self._before, self._after = before, after
        self._after_of = np.full(len(before), NOWHERE, dtype=np.int64)
        self._before_of = np.full(len(after), NOWHERE, dtype=np.int64)
        self._how: dict[int, How] = {}

    def _pair(self, joint: int, other: int, how: How) -> None:
        self._after_of[joint], self._before_of[other] = other, joint
        self._how[joint] = how

    def _matched(self) -> list[tuple[int, int]]:
        return [(joint, int(self._after_of[joint])) for joint in sorted(self._how)]

    def by_name(self) -> None:
        """Match joints of one name, and of one path of names where a name is there twice."""
        for labels in ((self._before.names, self._after.names), self._paths()):
            once = [
                {name for name, count in Counter(side).items() if count == 1} for side in labels
            ]
            places = {name: place for place, name in enumerate(labels[1]) if name in once[1]}
            for joint, name in enumerate(labels[0]):
                other = places.get(name, NOWHERE)
                free = other >= 0 and self._before_of[other] < 0
                if free and name in once[0] and self._after_of[joint] < 0:
                    self._pair(joint, other, "name")

    def _paths(self) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
        first, second = (_name_paths(skeleton) for skeleton in (self._before, self._after))
        return first, second

    def by_place(self, places_before: Array, places_after: Array) -> None:
        """Match what is left by the joints around it, until nothing more is found."""
        shapes = _shapes((self._before, self._after))
        scale = self._scale()
        found = True
        while found:
            found = self._upwards() or self._downwards(shapes, (places_before, places_after), scale)

    def _upwards(self) -> bool:
        """Match the parents of matched joints."""
        found = False
        for joint, other in reversed(self._matched()):
            parent, its = int(self._before.parents[joint]), int(self._after.parents[other])
            free = parent >= 0 and its >= 0
            if free and self._after_of[parent] < 0 and self._before_of[its] < 0:
                self._pair(parent, its, "place")
                found = True
        return found

    def _downwards(
        self, shapes: tuple[list[int], list[int]], places: tuple[Array, Array], scale: float
    ) -> bool:
        """Match the children of matched joints, and the roots."""
        found = False
        for parent, its in [(NOWHERE, NOWHERE), *self._matched()]:
            mine = _free_children(self._before, parent, self._after_of)
            theirs = _free_children(self._after, its, self._before_of)
            if not mine or not theirs:
                continue
            sole = len(mine) == len(theirs) == 1
            cost = np.full((len(mine), len(theirs)), np.inf)
            origins = [
                np.zeros(3) if place < 0 else where[place]
                for where, place in zip(places, (parent, its), strict=True)
            ]
            for row, joint in enumerate(mine):
                for column, other in enumerate(theirs):
                    alike = sole or shapes[0][joint] == shapes[1][other]
                    if alike and (parent < 0 or self._same_length(joint, other, scale)):
                        apart = (places[1][other] - origins[1]) / scale
                        apart = apart - (places[0][joint] - origins[0])
                        cost[row, column] = float(np.linalg.norm(apart))
            for row, column in _cheapest(cost):
                self._pair(mine[row], theirs[column], "place")
                found = True
        return found

    def _same_length(self, joint: int, other: int, scale: float) -> bool:
        own = float(np.linalg.norm(self._before.offsets[joint])) * scale
        its = float(np.linalg.norm(self._after.offsets[other]))
        return abs(own - its) <= SAME_LENGTH * max(own, its) + 1e-9

    def _scale(self) -> float:
        """Return how many times as long the bones of the second skeleton are, 1 where nothing says so."""
        own = np.linalg.norm(self._before.offsets, axis=1)
        its = np.linalg.norm(self._after.offsets, axis=1)
        pairs = self._matched()
        ratios = [its[other] / own[joint] for joint, other in pairs if own[joint] > 0.0]
        ratios = [ratio for ratio in ratios if ratio > 0.0]
        if ratios:
            return float(np.median(ratios))
        whole, other_whole = float(np.sum(own[1:])), float(np.sum(its[1:]))
        return other_whole / whole if whole > 0.0 and other_whole > 0.0 else 1.0

    def finished(self) -> Matching:
        """Return what was found."""
        pairs = self._matched()
        before = np.array([joint for joint, _ in pairs], dtype=np.int64)
        after = np.array([other for _, other in pairs], dtype=np.int64)
        wanted = np.array(
            [
                NOWHERE if parent < 0 else self._after_of[parent]
                for parent in self._before.parents[before]
            ],
            dtype=np.int64,
        )
        has = self._after.parents[after]
        # A parent that is lost leaves NOWHERE too, but is no root.
        orphaned = (wanted < 0) & (self._before.parents[before] >= 0)
        return Matching(
            before,
            after,
            tuple(self._how[joint] for joint, _ in pairs),
            np.flatnonzero(self._after_of < 0),
            np.flatnonzero(self._before_of < 0),
            (wanted != has) | orphaned,
        )


def _name_paths(skeleton: Skeleton) -> list[tuple[str, ...]]:
    """Return for each joint the names from its root down to itself."""
    paths: list[tuple[str, ...]] = []
    for name, parent in zip(skeleton.names, skeleton.parents, strict=True):
        paths.append((*(paths[parent] if parent >= 0 else ()), name))
    return paths


def _shapes(skeletons: tuple[Skeleton, Skeleton]) -> tuple[list[int], list[int]]:
    """Return a number for what hangs below each joint; equal numbers for equal trees, whatever their order."""
    known: dict[tuple[int, ...], int] = {}
    result = []
    for skeleton in skeletons:
        below: defaultdict[int, list[int]] = defaultdict(list)
        shapes = [0] * len(skeleton)
        for joint in range(len(skeleton) - 1, -1, -1):
            shapes[joint] = known.setdefault(tuple(sorted(below[joint])), len(known))
            below[int(skeleton.parents[joint])].append(shapes[joint])
        result.append(shapes)
    return result[0], result[1]


def _free_children(skeleton: Skeleton, parent: int, matched: Indices) -> Sequence[int]:
    """Return the children of a joint, or the roots, that have no match yet."""
    return [int(joint) for joint in np.flatnonzero((skeleton.parents == parent) & (matched < 0))]


def _cheapest(cost: Array) -> Iterable[tuple[int, int]]:
    """Return the assignment of least cost, without what is ruled out (infinite)."""
    if not np.isfinite(cost).any():
        return []
    barred = 1.0 + 10.0 * float(np.sum(cost[np.isfinite(cost)]))
    rows, columns = linear_sum_assignment(np.where(np.isfinite(cost), cost, barred))
    return [
        (int(row), int(column))
        for row, column in zip(rows, columns, strict=True)
        if np.isfinite(cost[row, column])
    ]
