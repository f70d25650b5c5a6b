"""Names of the columns, and which of them belong together."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

from audit.errors import FormatError

HEADER: Final = ("joint", "parent", "time_s")
"""Columns that every table has; a table is recognised by them."""

QUATERNION: Final = ("x", "y", "z", "w")
ANGLES: Final = ("rotate_x", "rotate_y", "rotate_z")
POSITION: Final = ("position_x", "position_y", "position_z")
REST: Final = ("rest_x", "rest_y", "rest_z", "rest_w")
OFFSET: Final = ("offset_x", "offset_y", "offset_z")
TIP: Final = ("tip_x", "tip_y", "tip_z")
ORDER: Final = "rotation_order"

GROUPS: Final = (QUATERNION, ANGLES, POSITION, REST, OFFSET, TIP)
"""Columns that stand there together or not at all."""

TEXTS: Final = ("joint", "parent", ORDER)
NUMBERS: Final = ("time_s", *(name for group in GROUPS for name in group))


def recognised_header(names: Sequence[str]) -> bool:
    """Tell whether the names of some columns say that a table holds motion."""
    return set(HEADER) <= set(names)


def check_header(names: Sequence[str], path: str, where: str) -> None:
    """Raise FormatError where a table lacks columns, has some twice or has unknown ones."""

    def fault(cause: str, hint: str) -> FormatError:
        return FormatError(cause, path=path, where=where, hint=hint)

    known = (*TEXTS, *NUMBERS)
    for place, name in enumerate(names):
        if name in names[:place]:
            raise fault(f"the column {name[:40]!r} is there twice", "Leave one out")
        if name not in known:
            near = get_close_matches(name, known, n=1)
            raise fault(
                f"the column {name[:40]!r} is not known",
                f"Did you mean {near[0]}?" if near else f"There are {', '.join(known)}",
            )
    for name in HEADER:
        if name not in names:
            raise fault(f"the column {name} is missing", f"Every table has {', '.join(HEADER)}")
    for group in GROUPS:
        lacking = [name for name in group if name not in names]
        if lacking and len(lacking) < len(group):
            raise fault(
                f"the column {lacking[0]} is missing", f"{', '.join(group)} belong together"
            )
    if QUATERNION[0] in names and ANGLES[0] in names:
        raise fault(
            "rotations stand there twice, as x y z w and as rotate_x rotate_y rotate_z",
            "Leave one of them out",
        )
    if ANGLES[0] in names and ORDER not in names:
        raise fault(
            f"the column {ORDER} is missing", "Angles mean nothing without the order of rotation"
        )
    if QUATERNION[0] not in names and ANGLES[0] not in names:
        raise fault(
            "there are no rotations",
            "Give x, y, z, w, or rotate_x, rotate_y, rotate_z with rotation_order",
        )
