"""What names say about sides: the marks of left and right, and which two names differ in nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.model.names import name_words

Indices = npt.NDArray[np.int64]

STYLES: tuple[tuple[str, str], ...] = (
    ("left", "right"),
    ("l", "r"),
    ("lf", "rt"),
    ("lt", "rt"),
    ("lft", "rgt"),
    ("lf", "rf"),
    ("lh", "rh"),
    ("lb", "rb"),
    ("fl", "fr"),
    ("hl", "hr"),
    ("bl", "br"),
    ("rl", "rr"),
)
"""Words for the two sides, left first. Common practice, no source. The ones of two letters from ``lf, rf`` on
name a side and an end at once, as four-legged animals and vehicles need it."""

FUSED: tuple[tuple[str, str], ...] = (("left", "right"), ("l", "r"))
"""Marks that are also looked for at the ends of a word, as in ``ltibia``: only where both names exist."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read a side out of a name.

    Attributes
    ----------
    style
        Place in :data:`STYLES`; the number of styles more where the mark is part of a longer word.
    side
        +1 left, −1 right.
    rest
        The words without the mark, with an empty word where it stood.
    """

    style: int
    side: int
    rest: tuple[str, ...]


def readings(name: str) -> Iterator[Reading]:
    """Yield the ways to read a side out of a name, the likeliest first.

    A mark is a word of its own, in any case, anywhere in the name: ``L_Knee``, ``kneeLeft``, ``arm.r``. Where
    several stand in a name (a path, say), all at once come before one at a time; marks inside words come last.
    """
    words = name_words(name)
    for style, marks in enumerate(STYLES):
        places = [place for place, word in enumerate(words) if word in marks]
        sides = {_side(words[place], marks) for place in places}
        if len(sides) == 1:
            yield Reading(style, sides.pop(), _without(words, places))
    for style, marks in enumerate(STYLES):
        places = [place for place, word in enumerate(words) if word in marks]
        if len(places) > 1:
            for place in places:
                yield Reading(style, _side(words[place], marks), _without(words, [place]))
    for style, marks in enumerate(FUSED, start=len(STYLES)):
        for place, word in enumerate(words):
            for mark in marks:
                side = _side(mark, marks)
                if len(word) > len(mark) + 1 and word.startswith(mark):
                    yield Reading(style, side, _with(words, place, "-" + word[len(mark) :]))
                if len(word) > len(mark) + 1 and word.endswith(mark):
                    yield Reading(style, side, _with(words, place, word[: -len(mark)] + "-"))


def _side(mark: str, marks: tuple[str, str]) -> int:
    return 1 if mark == marks[0] else -1


def _without(words: Sequence[str], places: Sequence[int]) -> tuple[str, ...]:
    return tuple("" if place in places else word for place, word in enumerate(words))


def _with(words: Sequence[str], place: int, word: str) -> tuple[str, ...]:
    return (*words[:place], word, *words[place + 1 :])


def paired_by_name(names: Sequence[str], parents: Indices) -> tuple[Indices, Indices]:
    """Return the partner of each joint, and the side that each name states, as far as the names go.

    Parameters
    ----------
    names
        One a joint.
    parents : (J,)
        Place of each joint's parent, before its children.

    Returns
    -------
    partner : (J,)
        −1 where the names give none. Where a name repeats, the joint whose parent is the partner of this
        one's parent, or the same, is taken.
    mark : (J,)
        +1 left, −1 right, 0 for a name without a mark. A name without a partner counts as marked where its
        kind of mark pairs other joints of the rig: "L5" is a vertebra, until there are pairs such as
        "L Arm" and "R Arm" about.
    """
    partner = np.full(len(names), -1, dtype=np.int64)
    mark = np.zeros(len(names), dtype=np.int64)
    read = [list(readings(name)) for name in names]
    holders: dict[Reading, list[int]] = {}
    for joint, ways in enumerate(read):
        for way in dict.fromkeys(ways):
            holders.setdefault(way, []).append(joint)
    used: set[int] = set()
    for style in range(len(STYLES) + len(FUSED)):
        for joint, ways in enumerate(read):
            for way in ways:
                if way.style != style or partner[joint] >= 0:
                    continue
                others = holders.get(Reading(style, -way.side, way.rest), [])
                same = holders[way]
                found = _fitting(joint, same, others, partner, parents)
                if found >= 0:
                    partner[joint], partner[found] = found, joint
                    mark[joint], mark[found] = way.side, -way.side
                    used.add(style)
    for joint, ways in enumerate(read):
        stated = [way.side for way in ways if way.style in used and way.style < len(STYLES)]
        if mark[joint] == 0 and len(set(stated)) == 1:
            mark[joint] = stated[0]
    for joint in range(len(names) - 1, -1, -1):
        if partner[joint] >= 0 and parents[joint] == parents[partner[joint]]:
            _unmark_above(joint, partner, mark, parents)
    return partner, mark


def _unmark_above(joint: int, partner: Indices, mark: Indices, parents: Indices) -> None:
    """Take the side from all joints without a partner above a pair: what bears both sides is on neither."""
    at = int(parents[joint])
    while at >= 0:
        if partner[at] < 0:
            mark[at] = 0
        at = int(parents[at])


def _fitting(
    joint: int, same: Sequence[int], others: Sequence[int], partner: Indices, parents: Indices
) -> int:
    """Return the joint among others that is a joint's partner, −1 where none is free or several would do."""
    free = [other for other in others if partner[other] < 0 and other != joint]
    parent = parents[joint]
    near = [
        other
        for other in free
        if parents[other] == parent or (parent >= 0 and partner[parent] == parents[other])
    ]
    if len(near) == 1:
        return near[0]
    rivals = sum(partner[each] < 0 for each in same)
    return free[0] if len(free) == 1 and rivals == 1 else -1
