"""What a page shows of a shot: plain values, ready for the templates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from audit.errors import UsageError
from audit.pipeline import Examination
from audit.report.cards import Card, Line, card_of, line_of
from audit.report.plans import Plan, instruction, is_flagged
from audit.report.ranking import Headline, by_cost, headline
from audit.report.words import Sentence
from audit.results import Document

Array = npt.NDArray[np.float64]

MOST_CARDS = 40
"""A page with more cards than this is not read; the other joints stand in the tables."""

SAME_TURN_DEG = 0.5
"""Joints of one chain whose turns differ by less are told in one line."""


@dataclass(frozen=True, eq=False)
class Group:
    """Joints of one chain that need the same turn.

    Attributes
    ----------
    lines
        The joints, the uppermost first.
    saved
        Edit keys that all of them save.
    """

    lines: tuple[Line, ...]
    saved: int

    @property
    def instruction(self) -> Sentence:
        """What to do with them."""
        return instruction(self.lines[0].plan, [line.row["joint"] for line in self.lines[1:]])


@dataclass(frozen=True, eq=False)
class ShotView:
    """Everything that the page of a shot shows.

    Attributes
    ----------
    examined
        The shot, its measures and findings.
    headline
        The figures that matter first.
    lines
        All joints that are shown, in the skeleton's order.
    flagged
        Those with something to mend or to look at, by cost.
    cards
        The costliest of them, in full.
    groups
        What must be turned, in few lines.
    """

    examined: Examination
    headline: Headline
    lines: tuple[Line, ...]
    flagged: tuple[Line, ...]
    cards: tuple[Card, ...]
    groups: tuple[Group, ...]

    @property
    def document(self) -> Document:
        """The results."""
        return self.examined.document

    @property
    def label(self) -> str:
        """What people call the shot."""
        return self.examined.shot.source.label

    @property
    def times_s(self) -> Array:
        """Time of each frame (F,), from the first one."""
        times = self.examined.shot.times_s
        from_start: Array = times - times[0]
        return from_start

    @cached_property
    def most_keys(self) -> int:
        """The most edit keys of any flagged joint: the length of the longest bar."""
        bars = (max(line.row["edit_keys"], line.keys_after) for line in self.flagged)
        return int(max([1, *bars]))

    @property
    def is_whole(self) -> bool:
        """Whether all joints of the shot are shown."""
        return len(self.lines) == len(self.document["joints"])

    @property
    def has_something_to_mend(self) -> bool:
        """Whether any shown joint asks for a mend or a look at its axes."""
        return bool(self.flagged)


def shot_view(examined: Examination, joints: Sequence[int] | None = None) -> ShotView:
    """Return what the page of a shot shows.

    Parameters
    ----------
    examined
        The shot, its measures and findings.
    joints
        Places of the joints to show; all of them where None.

    Raises
    ------
    UsageError
        Where a place is not one of the skeleton's.
    """
    rows = examined.document["joints"]
    places = shown_places(len(rows), joints)
    order = by_cost(rows, [place for place in places if is_flagged(rows[place])])
    with_card = frozenset(order[:MOST_CARDS])
    lines = {place: line_of(place, rows[place], place in with_card) for place in places}
    flagged = tuple(lines[place] for place in order)
    return ShotView(
        examined=examined,
        headline=headline(examined.document),
        lines=tuple(lines.values()),
        flagged=flagged,
        cards=tuple(
            card_of(examined, line, rank) for rank, line in enumerate(flagged[:MOST_CARDS], start=1)
        ),
        groups=_groups(flagged, examined.shot.skeleton.parents),
    )


def shown_places(count: int, joints: Sequence[int] | None) -> list[int]:
    """Return the places of the joints to show, increasing; all of them where None."""
    if joints is None:
        return list(range(count))
    places = sorted({int(place) for place in joints})
    if places and not (places[0] >= 0 and places[-1] < count):
        raise UsageError(
            f"joints are counted from 0 to {count - 1}, got {places[0]} to {places[-1]}"
        )
    return places


def _groups(flagged: Sequence[Line], parents: npt.NDArray[np.int64]) -> tuple[Group, ...]:
    """Put joints that must be turned just as the nearest such joint above them into one group."""
    lines = {
        line.place: line
        for line in flagged
        if line.plan.asks_for_something and line.severity == "fix"
    }
    top: dict[int, int] = {}
    for place in sorted(lines):
        above = int(parents[place])
        while above >= 0 and above not in lines:
            above = int(parents[above])
        joins = above >= 0 and _same_turn(lines[above].plan, lines[place].plan)
        top[place] = top[above] if joins else place
    groups = []
    for first in dict.fromkeys(top.values()):
        members = tuple(lines[place] for place in top if top[place] == first)
        groups.append(Group(members, sum(line.saved for line in members)))
    return tuple(sorted(groups, key=lambda group: (-group.saved, group.lines[0].place)))


def _same_turn(first: Plan, second: Plan) -> bool:
    """Tell whether two plans are one and the same turn about the limb, for all that people can do."""
    if first.turn_deg is None or second.turn_deg is None or first.orders or second.orders:
        return False
    if (first.aim is None) != (second.aim is None):
        return False
    if first.aim is not None and second.aim is not None:
        same = first.aim[0] == second.aim[0] and abs(first.aim[1] - second.aim[1]) < SAME_TURN_DEG
        if not same:
            return False
    return abs(first.turn_deg - second.turn_deg) < SAME_TURN_DEG
