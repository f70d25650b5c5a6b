"""The rows of an offsets sheet, and their columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from audit.conventions import AXES, ORDERS
from audit.model import Skeleton

MOST_TURN_DEG = 180.0

HEADING = -1
"""Stands among the lines of a sheet for its heading."""

UNIT = 1e-3
"""How far the length of a quaternion or a limb axis that somebody typed may be from one."""


@dataclass(frozen=True, slots=True)
class Offset:
    """What is to be done to one joint, and why.

    Attributes
    ----------
    joint
        Its name; its path of names from the root, joined by "/", where several joints share the name.
    limb_axis
        Unit vector in the joint's own axes that the twist is about; the rig's own where None.
    twist_offset_deg
        How far the joint's axes turn about the limb axis, right-handed; None to leave them.
    twist_low_deg, twist_high_deg
        The interval of the twist offset.
    full_offset_xyzw
        New axes as a quaternion in the present ones, where twist alone is not enough: takes the place of the
        twist.
    target_axis
        Principal axis that carries the hinge afterwards.
    advised_order
        Rotation order with the hinge channel innermost.
    range_deg
        Range of motion that was seen.
    shots
        Shots in which the joint moves.
    mostly_from
        The shots that carry most of the evidence.
    advice
        What would help a joint that is no hinge; nothing is done about it.
    reason
        Why there is no offset, or what else is to be said.
    line
        Line of the file that the row stood in, 0 for a row that was made.
    others
        Cells of columns that the reader added.
    """

    joint: str
    limb_axis: tuple[float, float, float] | None = None
    twist_offset_deg: float | None = None
    twist_low_deg: float | None = None
    twist_high_deg: float | None = None
    full_offset_xyzw: tuple[float, float, float, float] | None = None
    target_axis: str | None = None
    advised_order: str | None = None
    range_deg: float | None = None
    shots: int | None = None
    mostly_from: str | None = None
    advice: str | None = None
    reason: str | None = None
    line: int = 0
    others: Mapping[str, str] = field(default_factory=dict)

    @property
    def turns(self) -> bool:
        """Whether the row asks for anything."""
        return self.twist_offset_deg is not None or self.full_offset_xyzw is not None


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the file.

    Attributes
    ----------
    name
        Its heading.
    get
        The cell of a row, None for an empty one.
    """

    name: str
    get: Callable[[Offset], str | float | None]


def _plain(name: str) -> Column:
    return Column(name, lambda row: getattr(row, name))


def _part(name: str, place: int, letter: str) -> Column:
    def get(row: Offset) -> float | None:
        values = getattr(row, name)
        return None if values is None else float(values[place])

    return Column(f"{name.removesuffix('_xyzw')}_{letter}", get)


COLUMNS: tuple[Column, ...] = (
    _plain("joint"),
    _plain("twist_offset_deg"),
    _plain("twist_low_deg"),
    _plain("twist_high_deg"),
    *(_part("limb_axis", place, letter) for place, letter in enumerate("xyz")),
    *(_part("full_offset_xyzw", place, letter) for place, letter in enumerate("xyzw")),
    _plain("target_axis"),
    _plain("advised_order"),
    _plain("range_deg"),
    _plain("shots"),
    _plain("mostly_from"),
    _plain("reason"),
    _plain("advice"),
)
"""All columns in the order in which they are written. A sheet needs ``joint`` and one that says what to do."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """An offsets sheet.

    Attributes
    ----------
    rows
        One a joint.
    lines
        The file line by line, as it will be written: a row by its place in ``rows``, :data:`HEADING`, or the
        text of a comment or a blank line.
    others
        Headings of columns that the reader added, behind the known ones.
    file
        Where it was read from, "" for one that was made.
    """

    rows: tuple[Offset, ...]
    lines: tuple[int | str, ...] = ()
    others: tuple[str, ...] = ()
    file: str = ""

    @property
    def table(self) -> Any:
        """The rows as a pandas table with the columns of the file."""
        import pandas as pd  # noqa: PLC0415 (costs a third of a second, and only this needs it)

        records = [
            {column.name: column.get(row) for column in COLUMNS} | dict(row.others)
            for row in self.rows
        ]
        return pd.DataFrame(records, columns=[each.name for each in COLUMNS] + list(self.others))

    def renewed(self, rows: Iterable[Offset]) -> Sheet:
        """Return a sheet with new rows that keeps this one's comments, blank lines and added columns.

        Rows of joints that are here stay where they are; new ones come at the end; those of joints that have
        no new row are left out.
        """
        by_joint = {row.joint: row for row in rows}
        kept: list[Offset] = []
        lines: list[int | str] = []
        for line in self.lines or tuple(range(len(self.rows))):
            if isinstance(line, str) or line == HEADING:
                lines.append(line)
                continue
            old = self.rows[line]
            new = by_joint.pop(old.joint, None)
            if new is not None:
                lines.append(len(kept))
                kept.append(_with(new, others=old.others))
        for new in by_joint.values():
            lines.append(len(kept))
            kept.append(new)
        return Sheet(tuple(kept), tuple(lines), self.others, self.file)


def _with(row: Offset, **changes: Any) -> Offset:
    held = {each.name: getattr(row, each.name) for each in fields(row)}
    return Offset(**(held | changes))


def joint_labels(skeleton: Skeleton) -> tuple[str, ...]:
    """Return what each joint is called in a sheet: its name, or its path where several share the name.

    The path is the names from the root, joined by "/"; where that is taken as well, as between two children of
    one name, the second gets " (2)" behind it. White space at the ends, which a sheet does not keep, is left
    out, and a joint without a name is called by its number, "joint 3" for the third one.
    """
    names = [name.strip() or f"joint {place}" for place, name in enumerate(skeleton.names, 1)]
    shared = {name for name, times in Counter(names).items() if times > 1}
    labels: dict[str, None] = {}
    for joint, name in enumerate(names):
        label = name
        if name in shared:
            path = [name]
            parent = int(skeleton.parents[joint])
            while parent >= 0:
                path.append(names[parent])
                parent = int(skeleton.parents[parent])
            label = "/".join(reversed(path))
        number, free = 1, label
        while free in labels or (number > 1 and free in names):
            number += 1
            free = f"{label} ({number})"
        labels[free] = None
    return tuple(labels)


def problem_of(row: Offset) -> tuple[str, str, str] | None:
    """Return column, cause and hint of what is wrong with the values of a row, None where nothing is."""
    if row.twist_offset_deg is not None and not abs(row.twist_offset_deg) <= MOST_TURN_DEG:
        return (
            "twist_offset_deg",
            f"{row.twist_offset_deg:g}° is more than half a turn",
            "Give an angle from -180 to 180",
        )
    for name, values in (("limb_axis", row.limb_axis), ("full_offset", row.full_offset_xyzw)):
        length = 1.0 if values is None else float(np.linalg.norm(values))
        if abs(length - 1.0) > UNIT:
            return (
                f"{name}_x",
                f"{name} has length {length:.4g}, and should have 1",
                "Give a unit vector"
                if name == "limb_axis"
                else "Give a unit quaternion x, y, z, w",
            )
    if row.target_axis is not None and row.target_axis not in AXES:
        return "target_axis", f"{row.target_axis!r} is no axis", "Give X, Y or Z"
    if row.advised_order is not None and row.advised_order not in ORDERS:
        return (
            "advised_order",
            f"{row.advised_order!r} is no rotation order",
            f"Give one of {', '.join(ORDERS)}, or leave it empty",
        )
    return None
