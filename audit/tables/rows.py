"""From the cells of a table to its joints and keys."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.conventions import ORDERS
from audit.errors import FormatError
from audit.tables.cells import Array, Cells, Flags, Indices
from audit.tables.columns import (
    ANGLES,
    OFFSET,
    ORDER,
    POSITION,
    QUATERNION,
    REST,
    TIP,
)


@dataclass(frozen=True, eq=False)
class Rows:
    """A table taken apart by joint.

    Attributes
    ----------
    cells
        The cells.
    names, parents, orders
        One entry a joint, parents before children.
    place : (R,)
        Joint of each row.
    first : (J,)
        First row of each joint.
    rest, offset, tip : (J, n)
        What the table says of each joint, NaN where it says nothing.
    rotation, position : (R, n)
        Cells of the keys, NaN where empty: four numbers of a quaternion, or three angles in degrees.
    rotation_key, position_key : (R,)
        Number of the key within its joint, by time; −1 for a row without.
    """

    cells: Cells
    names: tuple[str, ...]
    parents: tuple[int, ...]
    orders: tuple[str | None, ...]
    place: Indices
    first: Indices
    rest: Array
    offset: Array
    tip: Array
    rotation: Array
    position: Array
    rotation_key: Indices
    position_key: Indices

    @property
    def angles(self) -> bool:
        """Whether rotations are angles, else quaternions."""
        return ANGLES[0] in self.cells.numbers

    def keys(self, joint: int, keys: Indices) -> Indices:
        """Return the rows (K,) of a joint that have keys, by time; ``keys`` is one of the two arrays."""
        rows = self.own(joint)
        rows = rows[keys[rows] >= 0]
        return rows[np.argsort(keys[rows])]

    def own(self, joint: int) -> Indices:
        """Return all rows of a joint, in the order of the table."""
        return self._by_joint[joint]

    @cached_property
    def _by_joint(self) -> list[Indices]:
        ends = np.cumsum(np.bincount(self.place, minlength=len(self.names)))[:-1]
        return np.split(np.argsort(self.place, kind="stable"), ends)


def rows_of(cells: Cells) -> Rows:
    """Take a table apart by joint.

    Raises
    ------
    FormatError
        Where rows contradict each other or lack cells: with row and column.
    """
    codes, words = cells.texts["joint"]
    if not len(codes):
        raise FormatError(
            "the table has no rows",
            path=cells.path,
            where=cells.where(0),
            hint="One row for each key of each joint belongs there",
        )
    if "" in words:
        row = int(np.argmax(codes == words.index("")))
        raise cells.fault(
            row, "joint", "the joint has no name", "Every row says which joint it is about"
        )
    first = np.full(len(words), len(codes))
    np.minimum.at(first, codes, np.arange(len(codes)))
    above = _parents(cells, codes, words, first)
    order = _parents_first(cells, first, above)
    at = np.zeros(len(words), dtype=np.int64)
    at[order] = np.arange(len(words))
    place, first = at[codes], first[order]
    parents = tuple(int(at[above[joint]]) if above[joint] >= 0 else -1 for joint in order)
    rotation = cells.group(ANGLES if ANGLES[0] in cells.numbers else QUATERNION)
    position = cells.group(POSITION)
    times = cells.numbers["time_s"]
    _check_times(cells, place, times, np.hstack((rotation, position)))
    return Rows(
        cells=cells,
        names=tuple(words[joint] for joint in order),
        parents=parents,
        orders=_orders(cells, place, len(words), first),
        place=place,
        first=first,
        rest=_said_once(cells, place, first, REST),
        offset=_said_once(cells, place, first, OFFSET),
        tip=_said_once(cells, place, first, TIP),
        rotation=rotation,
        position=position,
        rotation_key=_key_numbers(place, times, ~np.all(np.isnan(rotation), axis=1)),
        position_key=_key_numbers(place, times, ~np.all(np.isnan(position), axis=1)),
    )


def _parents(cells: Cells, codes: Indices, words: list[str], first: Indices) -> list[int]:
    """Return the parent of each joint by its place in ``words``, −1 for a root."""
    parent_codes, parent_words = cells.texts["parent"]
    said = parent_codes[first]
    differs = parent_codes != said[codes]
    if np.any(differs):
        row = int(np.argmax(differs))
        raise cells.fault(
            row,
            "parent",
            f"the parent of {words[codes[row]]!r} is {parent_words[parent_codes[row]]!r} here and "
            f"{parent_words[said[codes[row]]]!r} before",
            "A joint has one parent in all of its rows; an empty cell makes it a root",
        )
    known = {word: place for place, word in enumerate(words)}
    result = []
    for joint, code in enumerate(said):
        name = parent_words[code]
        if name and name not in known:
            raise cells.fault(
                int(first[joint]),
                "parent",
                f"the parent {name[:40]!r} is no joint of the table",
                "Correct the name, or give the parent a row of its own",
            )
        result.append(known[name] if name else -1)
    return result


def _parents_first(cells: Cells, first: Indices, above: list[int]) -> list[int]:
    """Return the joints with every parent before its children: as they come where they come so."""
    if all(parent < joint for joint, parent in enumerate(above)):
        return list(range(len(above)))
    children: list[list[int]] = [[] for _ in range(len(above) + 1)]
    for joint, parent in enumerate(above):
        children[parent].append(joint)
    order: list[int] = []
    waiting = children[-1][::-1]
    while waiting:
        joint = waiting.pop()
        order.append(joint)
        waiting += children[joint][::-1]
    if len(order) < len(above):
        lost = min(set(range(len(above))) - set(order))
        raise cells.fault(
            int(first[lost]),
            "parent",
            "the joint is its own ancestor",
            "Correct one of the parents",
        )
    return order


def _check_times(cells: Cells, place: Indices, times: Array, keys: Array) -> None:
    """Raise FormatError where a key has no time, or a joint has two rows for one."""
    untimed = np.isnan(times) & ~np.all(np.isnan(keys), axis=1)
    if np.any(untimed):
        raise cells.fault(
            int(np.argmax(untimed)),
            "time_s",
            "the key has no time",
            "Put in seconds; only a joint without keys has a row without time",
        )
    rows = np.flatnonzero(~np.isnan(times))
    rows = rows[np.lexsort((rows, times[rows], place[rows]))]
    twice = (np.diff(place[rows]) == 0) & (np.diff(times[rows]) == 0.0)
    if np.any(twice):
        row = int(rows[1:][np.argmax(twice)])
        raise cells.fault(
            row,
            "time_s",
            f"the joint has another row at {times[row]:g} s",
            "A joint has one row a time; put rotation and position into the same",
        )


def _key_numbers(place: Indices, times: Array, present: Flags) -> Indices:
    """Return the number of each row's key within its joint by time (R,), −1 for rows without."""
    numbers = np.full(len(place), -1, dtype=np.int64)
    rows = np.flatnonzero(present)
    rows = rows[np.lexsort((times[rows], place[rows]))]
    starts = np.flatnonzero(np.diff(place[rows], prepend=-1))
    lengths = np.diff(starts, append=len(rows))
    numbers[rows] = np.arange(len(rows)) - np.repeat(starts, lengths)
    return numbers


def _said_once(cells: Cells, place: Indices, first: Indices, names: tuple[str, ...]) -> Array:
    """Return what the table says of each joint (J, n), NaN where it says nothing.

    One row of the joint says it; others may repeat it or leave the cells empty.
    """
    values = cells.group(names)
    filled = ~np.isnan(values)
    partly = np.any(filled, axis=1) & ~np.all(filled, axis=1)
    if np.any(partly):
        row = int(np.argmax(partly))
        column = names[int(np.argmin(filled[row]))]
        raise cells.fault(
            row, column, "the cell is empty", f"{', '.join(names)} are filled together"
        )
    said = np.full((len(first), len(names)), np.nan)
    rows = np.flatnonzero(filled[:, 0])
    # From the last row to the first, so that the first one that says it has the last word.
    said[place[rows[::-1]]] = values[rows[::-1]]
    differs = values[rows] != said[place[rows]]
    if np.any(differs):
        at, column_number = np.argwhere(differs)[0]
        row = int(rows[at])
        raise cells.fault(
            row,
            names[int(column_number)],
            f"{values[row, column_number]:g} here, {said[place[row], column_number]:g} before",
            "It is the same in all rows of a joint; one row is enough",
        )
    return said


def _orders(cells: Cells, place: Indices, joints: int, first: Indices) -> tuple[str | None, ...]:
    """Return the rotation order of each joint, None where the table says none."""
    result: list[str | None] = [None] * joints
    if ORDER in cells.texts:
        codes, words = cells.texts[ORDER]
        for code, word in enumerate(words):
            if word and word.upper() not in ORDERS:
                raise cells.fault(
                    int(np.argmax(codes == code)),
                    ORDER,
                    f"{word[:40]!r} is no rotation order",
                    f"There are {', '.join(ORDERS)}",
                )
        spelled = [word.upper() for word in words]
        said = np.array([ORDERS.index(word) if word else -1 for word in spelled])[codes]
        rows = np.flatnonzero(said >= 0)
        each = np.full(joints, -1)
        each[place[rows[::-1]]] = said[rows[::-1]]
        differs = said[rows] != each[place[rows]]
        if np.any(differs):
            row = int(rows[np.argmax(differs)])
            raise cells.fault(
                row,
                ORDER,
                f"{ORDERS[said[row]]} here, {ORDERS[each[place[row]]]} before",
                "It is the same in all rows of a joint; one row is enough",
            )
        result = [ORDERS[number] if number >= 0 else None for number in each]
    if ANGLES[0] in cells.numbers:
        turning = np.zeros(joints, dtype=bool)
        turning[place[~np.all(np.isnan(cells.group(ANGLES)), axis=1)]] = True
        for joint in np.flatnonzero(turning):
            if result[joint] is None:
                raise cells.fault(
                    int(first[joint]),
                    ORDER,
                    "the joint has angles, but no rotation order",
                    f"Put in one of {', '.join(ORDERS)}",
                )
    return tuple(result)
