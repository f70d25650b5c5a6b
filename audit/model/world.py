"""What a file states about the world that its skeleton stands in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class World:
    """What a file, or the rules of its format, state about the space of a skeleton's roots.

    Nothing is converted by it: places stay as the file has them.

    Attributes
    ----------
    up
        The up axis: a sign and a letter, such as ``+Y``. None where nothing is stated.
    forward
        The direction that what is shown faces, in the same way.
    metres
        Metres of one unit of length, above 0.
    """

    up: str | None = None
    forward: str | None = None
    metres: float | None = None
