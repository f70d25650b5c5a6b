"""Reading a skeleton file (.asf)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

from audit.conventions import AXES
from audit.errors import FormatError
from audit.formats.acclaim._hierarchy import order_of
from audit.formats.acclaim._skeleton import FREEDOMS, ROOT, Bone, Place, SkeletonFile
from audit.formats.acclaim._text import Word, number_from, shown, words_of
from audit.spelling import is_number

UNIT_DIRECTION: Final = 0.01
"""How far the length of a direction may be from one (our choice): files have six digits or fewer."""

_COUNTS: Final = {"id": 1, "name": 1, "direction": 3, "length": 1, "axis": 4}
_NUMBERS: Final = ("direction", "length", "position", "orientation")
_ROOT_COUNTS: Final = {"axis": 1, "position": 3, "orientation": 3}


def read_skeleton(data: bytes, path: str) -> SkeletonFile:
    """Read a skeleton file.

    Parameters
    ----------
    data, path
        The whole file, and its path for error messages.

    Raises
    ------
    FormatError
        Where it breaks the format's rules, with the line.
    """
    return _Reader(path).read(list(words_of(data)), data)


@dataclass(slots=True)
class _Draft:
    """A bone while its lines are read: the words after each keyword."""

    line: int
    words: dict[str, list[Word]] = field(default_factory=dict)
    keys: dict[str, Word] = field(default_factory=dict)


class _Reader:
    """Reads one file; holds what errors need to know."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.angle = math.pi / 180.0
        self.last_line = 1

    def fault(self, cause: str, line: int, hint: str) -> FormatError:
        """Return the error for a place in the file."""
        return FormatError(cause, path=self.path, where=f"line {line}", hint=hint)

    def number(self, word: Word) -> float:
        """Return the number that a word spells."""
        return number_from(word.text, self.path, f"line {word.line}")

    def read(self, words: list[Word], data: bytes) -> SkeletonFile:
        """Return what the file says."""
        self.last_line = words[-1].line if words else 1
        sections = self._sections(words)
        for wanted in (":root", ":bonedata", ":hierarchy"):
            if wanted not in sections:
                raise self.fault(
                    f"the section {wanted} is missing",
                    self.last_line,
                    "The file is cut short, or no Acclaim skeleton; that is the .asf file of the pair",
                )
        length_unit, degrees = self._units(sections.get(":units", []))
        self.angle = math.pi / 180.0 if degrees else 1.0
        root = self._root(sections[":root"])
        bones = [root, *self._bones(sections[":bonedata"][1:], data)]
        places: dict[str, int] = {}
        for place, bone in enumerate(bones):
            if bone.name in places:
                raise self.fault(
                    f"the bone name {bone.name!r} is taken",
                    bone.line,
                    "Give every bone its own name",
                )
            places[bone.name] = place
        order, parents = order_of(sections[":hierarchy"], bones, places, self.path)
        return SkeletonFile(
            bones=tuple(bones[place] for place in order),
            parents=parents,
            length_unit=length_unit,
            degrees=degrees,
        )

    def _sections(self, words: list[Word]) -> dict[str, list[Word]]:
        """Return the words of each section by its keyword, the keyword first."""
        sections: dict[str, list[Word]] = {}
        current: list[Word] | None = None
        for place, word in enumerate(words):
            begins = place == 0 or words[place - 1].line != word.line
            if begins and word.text.startswith(":"):
                if word.keyword in sections:
                    raise self.fault(
                        f"the section {shown(word.text)} stands there twice",
                        word.line,
                        "Leave one out",
                    )
                current = sections[word.keyword] = [word]
            elif current is None:
                raise self.fault(
                    f"found {shown(word.text)} before the first section",
                    word.line,
                    "An Acclaim skeleton begins with :version 1.10",
                )
            else:
                current.append(word)
        return sections

    def _units(self, words: list[Word]) -> tuple[float, bool]:
        """Return what lengths are multiplied by, and whether angles are degrees."""
        length, degrees = 1.0, True
        for key, value in pairwise(words):
            if key.keyword == "length":
                length = self.number(value)
                if length <= 0.0:
                    raise self.fault(
                        "the unit of length is not above zero", value.line, "Correct it"
                    )
            elif key.keyword == "angle":
                if value.keyword not in ("deg", "rad"):
                    raise self.fault(
                        f"the unit of angles is {shown(value.text)}", value.line, "It is deg or rad"
                    )
                degrees = value.keyword == "deg"
        return length, degrees

    def _root(self, words: list[Word]) -> Bone:
        """Return the root as a bone without length."""
        draft = _Draft(words[0].line)
        place = 1
        while place < len(words):
            key = words[place]
            end = place + 1
            if key.keyword == "order":
                while end < len(words) and words[end].keyword in FREEDOMS[:-1]:
                    end += 1
            elif key.keyword in _ROOT_COUNTS:
                end += _ROOT_COUNTS[key.keyword]
            else:
                raise self.fault(
                    f"the root cannot say {shown(key.text)}",
                    key.line,
                    "It says order, axis, position and orientation",
                )
            self._keep(draft, key, words[place + 1 : end], end - place - 1)
            place = end
        for wanted in ("order", *_ROOT_COUNTS):
            if wanted not in draft.words:
                raise self.fault(
                    f"the root says no {wanted}",
                    draft.line,
                    "It says order, axis, position and orientation",
                )
        order = draft.words["order"]
        if not order:
            raise self.fault(
                "order names no channel",
                draft.keys["order"].line,
                "It names some of TX TY TZ RX RY RZ, in the order of the motion file",
            )
        axis = draft.words["axis"][0]
        return Bone(
            name=ROOT,
            line=draft.line,
            freedoms=self._freedoms(order),
            axis=tuple(self.angle * self.number(word) for word in draft.words["orientation"]),
            axis_order=self._axis_order(axis),
            position=tuple(self.number(word) for word in draft.words["position"]),
            axis_place=_place(draft.words["orientation"]),
            order_place=_place([axis]),
            freedoms_place=_place(order),
        )

    def _keep(self, draft: _Draft, key: Word, words: list[Word], count: int) -> None:
        """Add the words after a keyword to a draft."""
        if len(words) != count:
            raise self.fault(
                f"{key.keyword} needs {count} words, but only {len(words)} follow",
                key.line,
                "The file seems to be cut short",
            )
        if key.keyword in _NUMBERS:
            # At once, so that a number too few is told where it is, and not at the word after it.
            for word in words[:3]:
                self.number(word)
        if key.keyword in draft.words:
            raise self.fault(f"{key.keyword} stands there twice", key.line, "Leave one out")
        draft.words[key.keyword], draft.keys[key.keyword] = words, key

    def _axis_order(self, word: Word) -> str:
        """Return the letters of an axis order."""
        order = word.text.upper()
        if sorted(order) != sorted(AXES):
            raise self.fault(
                f"{shown(word.text)} is no order of axes", word.line, "It is one such as XYZ"
            )
        return order

    def _freedoms(self, words: list[Word]) -> tuple[str, ...]:
        """Return what a bone may do, each at most once."""
        names = tuple(word.keyword for word in words)
        for place, name in enumerate(names):
            if name in names[:place]:
                raise self.fault(f"{name} is named twice", words[place].line, "Leave one out")
        return names

    def _bones(self, words: list[Word], data: bytes) -> list[Bone]:
        """Return the bones in the order of the file."""
        bones: list[Bone] = []
        draft: _Draft | None = None
        place = 0
        while place < len(words):
            word = words[place]
            end = place + 1
            if draft is None:
                if word.keyword != "begin":
                    raise self.fault(
                        f"found {shown(word.text)} where a bone begins",
                        word.line,
                        "It begins with begin",
                    )
                draft = _Draft(word.line)
            elif word.keyword == "end":
                bones.append(self._bone(draft, data))
                draft = None
            elif word.keyword == "begin":
                raise self.fault(
                    f"the bone that began on line {draft.line} has no end", word.line, "Put in end"
                )
            else:
                end = self._statement(draft, words, place)
            place = end
        if draft is not None:
            raise self.fault(
                f"the bone that began on line {draft.line} has no end",
                words[-1].line,
                "The file seems to be cut short",
            )
        return bones

    def _statement(self, draft: _Draft, words: list[Word], place: int) -> int:
        """Read one statement of a bone and return the place of the word after it."""
        key = words[place]
        end = place + 1
        if key.keyword in _COUNTS:
            end += _COUNTS[key.keyword]
            self._keep(draft, key, words[place + 1 : end], end - place - 1)
        elif key.keyword == "dof":
            while end < len(words) and words[end].keyword in FREEDOMS:
                end += 1
            self._keep(draft, key, words[place + 1 : end], end - place - 1)
        elif key.keyword == "limits":
            while end < len(words) and _limit(words[end]) is not None:
                end += 1
            self._keep(draft, key, words[place + 1 : end], end - place - 1)
        else:
            # Masses, and what later versions may add: kept in the file, and not needed to move a joint.
            while end < len(words) and words[end].line == key.line:
                end += 1
        return end

    def _bone(self, draft: _Draft, data: bytes) -> Bone:
        """Return a bone from its words."""
        for wanted in ("name", "direction", "length", "axis"):
            if wanted not in draft.words:
                raise self.fault(
                    f"the bone says no {wanted}",
                    draft.line,
                    "A bone says id, name, direction, length and axis, and where it moves dof and limits",
                )
        words = draft.words
        name = words["name"][0]
        direction = tuple(self.number(word) for word in words["direction"])
        length = self.number(words["length"][0])
        size = math.hypot(*direction)
        if length < 0.0:
            raise self.fault(
                f"the length of {name.name!r} is below zero", words["length"][0].line, "Correct it"
            )
        if length > 0.0 and abs(size - 1.0) > UNIT_DIRECTION:
            raise self.fault(
                f"the direction of {name.name!r} is {size:.4g} long",
                words["direction"][0].line,
                "A direction has length one; how long the bone is stands in length",
            )
        freedoms = self._freedoms(words.get("dof", []))
        bone = Bone(
            name=name.name,
            line=draft.line,
            freedoms=freedoms,
            direction=direction,
            length=length,
            axis=tuple(self.angle * self.number(word) for word in words["axis"][:3]),
            axis_order=self._axis_order(words["axis"][3]),
            axis_place=_place(words["axis"][:3]),
            order_place=_place(words["axis"][3:]),
            freedoms_place=_place(words.get("dof", [])),
        )
        if "limits" not in words:
            return bone
        return replace(
            bone,
            limits=self._limits(words["limits"], draft.keys["limits"], len(freedoms)),
            limits_place=_limits_place(draft.keys["limits"], words["limits"], data),
        )

    def _limits(self, words: list[Word], key: Word, wanted: int) -> tuple[tuple[float, float], ...]:
        """Return one pair of limits for each freedom."""
        if len(words) != 2 * wanted:
            raise self.fault(
                f"limits holds {len(words)} numbers, but dof names {wanted}",
                key.line,
                "Each freedom has a lower and an upper limit, in the order of dof; inf is allowed",
            )
        numbers = [_limit(word) or 0.0 for word in words]
        return tuple(zip(numbers[::2], numbers[1::2], strict=True))


def _place(words: list[Word]) -> Place | None:
    """Return the stretch of the file that some words fill."""
    return Place(words[0].start, words[-1].end) if words else None


def _limit(word: Word) -> float | None:
    """Return the limit that a word spells, None where it spells none."""
    if word.keyword.lstrip("+-") == "inf":
        return -math.inf if word.text.startswith("-") else math.inf
    return float(word.text) if is_number(word.text) else None


def _limits_place(key: Word, words: list[Word], data: bytes) -> Place | None:
    """Return the stretch from behind the keyword to the last limit and the parenthesis that closes it."""
    if not words:
        return None
    end = words[-1].end
    while data[end : end + 1] in (b" ", b"\t"):
        end += 1
    return Place(key.end, end + 1 if data[end : end + 1] == b")" else words[-1].end)
