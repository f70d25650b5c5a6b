"""What a skeleton file (.asf) says: units, root, bones and how they hang together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from audit.conventions import AXES

ROOT: Final = "root"
TURNS: Final = ("rx", "ry", "rz")
MOVES: Final = ("tx", "ty", "tz")
LENGTH: Final = "l"
FREEDOMS: Final = (*MOVES, *TURNS, LENGTH)


@dataclass(frozen=True, slots=True)
class Place:
    """A stretch of the file: its first byte, and the byte after its last."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Bone:
    """A bone of the file, or its root.

    Attributes
    ----------
    name, line
        Its name and the line that it begins on.
    freedoms
        What the motion file says of it, in that order: ``tx`` ``ty`` ``tz`` ``rx`` ``ry`` ``rz`` ``l``.
    direction, length
        Where its end lies from its start, in world axes; length in the unit that the file multiplies by.
        0 for the root.
    axis, axis_order
        Angles in radians and the letters of the axes that they turn about one after the other, all fixed in
        the world: the axes of the joint at the bone's start.
    position
        Of the root; 0 for bones, which start where their parent ends.
    limits
        Lower and upper limit of each freedom as numbers of the file; None where it gives none.
    axis_place, order_place, freedoms_place, limits_place
        Where these stand in the file.
    """

    name: str
    line: int
    freedoms: tuple[str, ...] = ()
    direction: tuple[float, ...] = (0.0, 0.0, 0.0)
    length: float = 0.0
    axis: tuple[float, ...] = (0.0, 0.0, 0.0)
    axis_order: str = AXES
    position: tuple[float, ...] = (0.0, 0.0, 0.0)
    limits: tuple[tuple[float, float], ...] | None = None
    axis_place: Place | None = None
    order_place: Place | None = None
    freedoms_place: Place | None = None
    limits_place: Place | None = None

    @property
    def order(self) -> str:
        """Rotation order of the joint, as a matrix product: see :func:`rotation_order`."""
        return rotation_order(
            "".join(each[1].upper() for each in self.freedoms if each in TURNS), self.axis_order
        )


@dataclass(frozen=True, slots=True)
class SkeletonFile:
    """A whole skeleton file.

    Attributes
    ----------
    bones
        The root first, then every bone after its parent.
    parents
        Place of each bone's parent, −1 for the root.
    length_unit
        What lengths and positions are multiplied by.
    degrees
        Whether angles are degrees, else radians.
    """

    bones: tuple[Bone, ...]
    parents: tuple[int, ...]
    length_unit: float
    degrees: bool


def rotation_order(turns: str, axis_order: str) -> str:
    """Return the rotation order, as a matrix product, of turns about fixed axes one after the other.

    Parameters
    ----------
    turns
        Letters of the axes that the joint has, in the order of its freedoms.
    axis_order
        Letters of the joint's ``axis``: they say where the missing ones go, as long as the two agree.

    Returns
    -------
    str
        Turning about fixed X, then Y, then Z is ``Rz · Ry · Rx``: the letters from last to first. Where the
        two disagree, the missing letters stand outermost, so that the joint's own channels stay innermost.
    """
    if [letter for letter in axis_order if letter in turns] == list(turns):
        return axis_order[::-1]
    return "".join(axis for axis in AXES if axis not in turns) + turns[::-1]
