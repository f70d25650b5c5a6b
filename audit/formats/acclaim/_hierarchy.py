"""The hierarchy of a skeleton file (.asf): which bone hangs on which, and the order that follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from audit.errors import FormatError
from audit.formats.acclaim._skeleton import Bone
from audit.formats.acclaim._text import Word, shown


def order_of(
    words: Sequence[Word], bones: Sequence[Bone], places: Mapping[str, int], path: str
) -> tuple[list[int], tuple[int, ...]]:
    """Return the bones in an order in which every parent comes before its children.

    Parameters
    ----------
    words
        Of the section ``:hierarchy``, its keyword first.
    bones, places
        The bones in the order of the file, the root first; and the place of each by its name.
    path
        Path of the file, for error messages.

    Returns
    -------
    order
        Places of the bones: as in the file where that has parents first.
    parents
        For each of them the place of its parent in this order, −1 for the root.

    Raises
    ------
    FormatError
        Where the section is cut short, names what is no bone, or hangs a bone on two others or on nothing.
    """
    parents, children = _links(words, places, path)
    order: list[int] = []
    waiting = [0]
    while waiting:
        place = waiting.pop()
        order.append(place)
        waiting += reversed(children[place])
    if len(order) < len(bones):
        lost = bones[min(set(range(len(bones))) - set(order))]
        raise _fault(
            path,
            f"the bone {lost.name!r} does not hang on the root",
            lost.line,
            "Name it, and the bones above it, in :hierarchy",
        )
    if all(parents[place] < place for place in range(1, len(bones))):
        order.sort()
    at = {place: number for number, place in enumerate(order)}
    return order, tuple(at[parents[place]] if place else -1 for place in order)


def _links(
    words: Sequence[Word], places: Mapping[str, int], path: str
) -> tuple[dict[int, int], list[list[int]]]:
    """Return the parent of each bone, and the children of each, by their places in the file."""
    inner = words[1:]
    if not inner or inner[0].keyword != "begin" or inner[-1].keyword != "end" or len(inner) < 2:
        raise _fault(
            path,
            ":hierarchy is not closed in begin and end",
            inner[-1].line if inner else words[0].line,
            "The file seems to be cut short",
        )
    parents: dict[int, int] = {}
    children: list[list[int]] = [[] for _ in places]
    parent, line = 0, 0
    for word in inner[1:-1]:
        place = places.get(word.name)
        if place is None:
            raise _fault(
                path,
                f":hierarchy names {shown(word.text)}, which is no bone",
                word.line,
                "Correct the name, or describe the bone in :bonedata",
            )
        if word.line != line:
            parent, line = place, word.line
        elif place in parents or place == 0:
            raise _fault(
                path,
                f"{word.name!r} hangs on two bones" if place else "root hangs on a bone",
                word.line,
                "A bone hangs on one other, and the root on none",
            )
        else:
            parents[place] = parent
            children[parent].append(place)
    return parents, children


def _fault(path: str, cause: str, line: int, hint: str) -> FormatError:
    """Return the error for a line of the file."""
    return FormatError(cause, path=path, where=f"line {line}", hint=hint)
