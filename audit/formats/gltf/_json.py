"""The JSON of a glTF file: read strictly, and changed in place so that all the rest stays as it is written."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

from audit.errors import FormatError

Json = Any
"""What ``json`` makes of a value: its kind is looked at before it is used."""

Path = tuple[str | int, ...]
"""The way to a value: ``("nodes", 3, "rotation")``."""

DEEPEST = 100
"""Levels of nesting that are read; real files have about ten, extensions some more."""

_SPACE = re.compile(r"[ \t\r\n]*")


def parsed(text: str, path: str) -> dict[str, Json]:
    """Return the top object of a glTF file's JSON.

    Raises
    ------
    FormatError
        Where it is not JSON as RFC 8259 and glTF have it: text after the object, NaN, numbers too large to
        hold, a key given twice, or more than 100 levels of nesting.
    """

    def refuse(cause: str, hint: str, where: str = "JSON") -> FormatError:
        return FormatError(cause, path=path, where=where, hint=hint)

    def unique(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
        members = dict(pairs)
        if len(members) < len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            raise refuse(
                f"an object has the key {_short(twice)} twice",
                "Keys are unique in glTF; take one of them out",
            )
        return members

    def constant(name: str) -> Json:
        raise refuse(f"{name} is no number of JSON", "Write the file again with finite numbers")

    def number(digits: str) -> float:
        value = float(digits)
        if math.isinf(value):
            raise refuse(
                f"the number {_short(digits)} is too large to hold",
                "Write the file again with finite numbers",
            )
        return value

    try:
        top = json.loads(
            text, object_pairs_hook=unique, parse_constant=constant, parse_float=number
        )
    except json.JSONDecodeError as error:
        raise refuse(
            f"this is not JSON: {error.msg}",
            "The file seems to be cut short or damaged; write it again",
            f"JSON line {error.lineno}, column {error.colno}",
        ) from error
    except RecursionError as error:
        raise _too_deep(path) from error
    except FormatError:
        raise
    except ValueError as error:  # a whole number with more digits than Python converts
        raise refuse(
            "a whole number has too many digits", "Write the file again with finite numbers"
        ) from error
    if not isinstance(top, dict):
        raise refuse("glTF is one JSON object", "This is something else")
    level: list[Json] = [top]
    for _ in range(DEEPEST):
        level = [
            child
            for value in level
            for child in (value.values() if isinstance(value, dict) else value)
            if isinstance(child, dict | list)
        ]
        if not level:
            return top
    raise _too_deep(path)


def _too_deep(path: str) -> FormatError:
    return FormatError(
        f"values are nested more than {DEEPEST} levels deep",
        path=path,
        where="JSON",
        hint="No glTF file needs that; write it again",
    )


def _short(text: str) -> str:
    """Return a text in quotes, cut where it is long."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


class Removed:
    """Stands for a member that is to be taken out."""


REMOVED = Removed()

Tree = dict[str | int, "Tree | Replaced"]


class Replaced:
    """A new value in a tree of changes."""

    def __init__(self, value: Json) -> None:
        self.value = value


class Source:
    """JSON text in which values can be replaced, added and taken out; all other text stays as it is.

    Parameters
    ----------
    text
        JSON that :func:`parsed` took.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._decoder = json.JSONDecoder()

    def changed(self, changes: Mapping[Path, Json]) -> str:
        """Return the text with some values changed.

        Parameters
        ----------
        changes
            New values by their paths; ``REMOVED`` takes a member of an object out. The container of each is
            there. Members that are not yet there are added at the end of their object, and elements whose
            numbers follow on the last one at the end of their list.
        """
        tree: Tree = {}
        for path, value in changes.items():
            branch = tree
            for key in path[:-1]:
                below = branch.setdefault(key, {})
                if not isinstance(below, dict):
                    raise KeyError(path)  # a value in a value that is itself replaced
                branch = below
            branch[path[-1]] = Replaced(value)
        start = self._skip(0)
        text, end = self._rendered(start, tree)
        return self._text[:start] + text + self._text[end:]

    def _skip(self, place: int) -> int:
        match = _SPACE.match(self._text, place)
        return place if match is None else match.end()

    def _members(self, place: int) -> Iterator[tuple[str | int, int, int]]:
        """Yield key, start of the member and start of its value."""
        named = self._text[place] == "{"
        place, number = self._skip(place + 1), 0
        while self._text[place] not in "}]":
            start = place
            key: str | int = number
            if named:
                key, place = self._decoder.raw_decode(self._text, place)
                place = self._skip(self._skip(place) + 1)  # past the colon
            yield key, start, place
            place = self._skip(self._end(place))
            if self._text[place] == ",":
                place = self._skip(place + 1)
            number += 1

    def _end(self, place: int) -> int:
        """Return where the value that starts at a place ends."""
        return self._decoder.raw_decode(self._text, place)[1]

    def _rendered(self, place: int, tree: Tree) -> tuple[str, int]:
        """Return the new text of the container that starts at a place, and where its old text ends."""
        text, old_end = self._text, place + 1
        pieces: list[str] = []  # new text of each member that stays
        gaps: list[str] = []  # what stands before it
        waiting = dict(tree)
        for key, start, value_start in self._members(place):
            change = waiting.pop(key, None)
            gap, member = text[old_end:start], text[start:value_start]
            if isinstance(change, dict):
                value, old_end = self._rendered(value_start, change)
            else:
                old_end = self._end(value_start)
                value = text[value_start:old_end]
            if isinstance(change, Replaced):
                if change.value is REMOVED:
                    continue
                value = text_of(change.value)
            # The first that stays needs no comma, even where one was taken out in front of it.
            gaps.append(gap if pieces else gap.replace(",", ""))
            pieces.append(member + value)
        for key, change in waiting.items():
            if not isinstance(change, Replaced):
                raise KeyError(key)
            if change.value is REMOVED:
                continue
            gaps.append("," if pieces else "")
            named = f"{text_of(key)}:" if isinstance(key, str) else ""
            pieces.append(named + text_of(change.value))
        end = self._skip(old_end)
        body = "".join(gap + piece for gap, piece in zip(gaps, pieces, strict=True))
        return text[place] + body + text[old_end : end + 1], end + 1


def text_of(value: Json) -> str:
    """Return a value as JSON text without white space, every number so that it reads back the same."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
