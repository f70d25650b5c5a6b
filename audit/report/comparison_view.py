"""What the page of a comparison shows: plain values, ready for the template."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.compare import Comparison
from audit.pipeline import Examination
from audit.report.cards import Stage, held_at_the_ends
from audit.report.comparison_words import by_change
from audit.report.hinge_view import HingeView, hinge_view
from audit.report.plans import plan_of
from audit.results import Document, Row

Array = npt.NDArray[np.float64]

MOST_CARDS = 24
"""Joints whose curves are drawn; the others stand in the tables."""


@dataclass(frozen=True, eq=False)
class SideView:
    """A joint in one of the two shots.

    Attributes
    ----------
    row
        Its row in the results.
    times_s : (K,), frames_s : (F,)
        Time of each key of the joint and of each frame of the shot, from the first frame.
    stage
        Its curves and their figures.
    hinge
        The hinge axis against the joint's axes, None where it is no hinge.
    """

    row: Row
    times_s: Array
    frames_s: Array
    stage: Stage
    hinge: HingeView | None


@dataclass(frozen=True, eq=False)
class ChangeCard:
    """A joint that changed, in full.

    Attributes
    ----------
    place
        Place of its row in the comparison.
    row
        The row.
    before, after
        The joint in either shot.
    low, high
        Limits in degrees that hold the curves of both.
    """

    place: int
    row: Row
    before: SideView
    after: SideView
    low: float
    high: float

    @property
    def has_hinge(self) -> bool:
        """Whether there is a hinge axis to draw in either shot."""
        return self.before.hinge is not None or self.after.hinge is not None


@dataclass(frozen=True, eq=False)
class ComparisonView:
    """Everything that the page of a comparison shows.

    Attributes
    ----------
    comparison
        The comparison.
    changed
        Places of the joint rows that changed, what matters most first.
    cards
        The first of them that move, in full.
    """

    comparison: Comparison
    changed: tuple[int, ...]
    cards: tuple[ChangeCard, ...]

    @property
    def document(self) -> Document:
        """The comparison as it stands in ``comparison.json``."""
        return self.comparison.document

    @property
    def labels(self) -> tuple[str, str]:
        """What people call the two shots."""
        before, after = (
            each.shot.source for each in (self.comparison.before, self.comparison.after)
        )
        return before.label, after.label

    @property
    def with_card(self) -> frozenset[int]:
        """Places of the rows that have a card."""
        return frozenset(card.place for card in self.cards)

    @property
    def most_keys(self) -> int:
        """The most edit keys of any joint that changed: the length of the longest bar."""
        rows = [self.document["joints"][place] for place in self.changed]
        keys = (row[side]["edit_keys"] for row in rows for side in ("before", "after"))
        return int(max([1, *keys]))


def comparison_view(comparison: Comparison) -> ComparisonView:
    """Return what the page of a comparison shows."""
    rows = comparison.document["joints"]
    changed = by_change(rows)
    drawn = [
        place
        for place in changed
        if rows[place]["before"]["kind"] != "still" or rows[place]["after"]["kind"] != "still"
    ]
    cards = tuple(_card(comparison, place) for place in drawn[:MOST_CARDS])
    return ComparisonView(comparison, tuple(changed), cards)


def _card(comparison: Comparison, place: int) -> ChangeCard:
    joint, other = (
        int(each[place]) for each in (comparison.matching.before, comparison.matching.after)
    )
    before = _side(comparison.before, joint, "Before")
    after = _side(comparison.after, other, "After")
    values = np.concatenate([before.stage.curves, after.stage.curves], axis=1)
    low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
    room = 0.04 * max(high - low, 1.0)
    row = comparison.document["joints"][place]
    return ChangeCard(place, row, before, after, low - room, high + room)


def _side(examined: Examination, joint: int, title: str) -> SideView:
    shot, row = examined.shot, examined.document["joints"][joint]
    stage = Stage(
        title,
        examined.curves(joint).now,
        row["moving_channels"],
        row["edit_keys"],
        row["channel_spread"],
    )
    start = shot.times_s[0]
    times, (stage,) = held_at_the_ends(shot.joint_times(joint) - start, (stage,), shot.seconds)
    return SideView(row, times, shot.times_s - start, stage, hinge_view(row, plan_of(row)))
