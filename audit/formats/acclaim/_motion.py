"""The motion file (.amc): frames, and in each of them one line a bone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from audit.errors import FormatError
from audit.formats.acclaim._skeleton import SkeletonFile
from audit.formats.acclaim._text import (
    BYTE_ORDER_MARK,
    LARGEST,
    number_from,
    readable,
    shown,
    text_of,
)

Array = npt.NDArray[np.float64]

FULLY_SPECIFIED: Final = ":fully-specified"
ANGLES: Final = {":degrees": True, ":radians": False}
_COMMENT = re.compile(r"#[^\r\n]*")
BLANKS = str.maketrans(",()", "   ")
_WORD = re.compile(r"[^\0- ]+")


@dataclass(frozen=True, slots=True)
class Motion:
    """What a motion file says.

    Attributes
    ----------
    values : (F, C)
        Numbers as the file has them; the columns of all bones, in the order of the skeleton file's bones and
        of their freedoms.
    numbers : (F,)
        Number of each frame, as the file counts them.
    degrees
        Whether angles are degrees, else radians.
    """

    values: Array
    numbers: npt.NDArray[np.int64]
    degrees: bool


def lines_of(data: bytes) -> list[str]:
    """Return the lines of a motion file, without comments; commas and parentheses are white space."""
    text = text_of(data.removeprefix(BYTE_ORDER_MARK))
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "#" in text:
        text = _COMMENT.sub("", text)
    if "," in text or "(" in text or ")" in text:
        text = text.translate(BLANKS)
    return text.split("\n")


def words_in(line: str) -> list[str]:
    """Return the words of a line; bytes that Latin-1 takes for white space are parts of UTF-8 letters."""
    return line.split() if line.isascii() else _WORD.findall(line)


def is_frame_number(words: list[str]) -> bool:
    """Tell whether a line begins a frame: it holds one whole number."""
    return len(words) == 1 and words[0].isascii() and words[0].isdigit()


def read_motion(data: bytes, path: str, skeleton: SkeletonFile) -> Motion:
    """Read a motion file.

    Parameters
    ----------
    data, path
        The whole file, and its path for error messages.
    skeleton
        The skeleton file that it belongs to.

    Raises
    ------
    FormatError
        Where it breaks the format's rules or does not fit the skeleton: with line, frame and bone.
    """
    return _Reader(path, skeleton).read(lines_of(data))


class _Reader:
    """Reads one file; holds what errors need to know."""

    def __init__(self, path: str, skeleton: SkeletonFile) -> None:
        self.path = path
        self.skeleton = skeleton
        self.columns: dict[str, tuple[int, int]] = {}
        width = 0
        for bone in skeleton.bones:
            # Names are compared as they stand in the file: one letter a byte.
            for spelled in {bone.name.encode("utf-8").decode("latin-1"), bone.name}:
                self.columns[spelled] = (width, len(bone.freedoms))
            width += len(bone.freedoms)
        self.width = width

    def fault(self, cause: str, line: int, place: str, hint: str) -> FormatError:
        """Return the error for a place in the file."""
        return FormatError(cause, path=self.path, where=f"line {line}{place}", hint=hint)

    def read(self, lines: list[str]) -> Motion:
        """Return what the lines say."""
        degrees = self.skeleton.degrees
        rows: list[str] = []
        numbers: list[int] = []
        row: list[str] = []
        missing = 0
        for line, text in enumerate(lines, start=1):
            words = words_in(text)
            if not words:
                continue
            if is_frame_number(words):
                if numbers:
                    self._end_frame(row, missing, numbers, line)
                    rows += row
                numbers.append(self._frame_number(words[0], numbers, line))
                row, missing = [""] * self.width, self.width
            elif words[0].startswith(":"):
                degrees = self._header(words, numbers, line, degrees)
            else:
                first, count = self._bone(words, row, numbers, line)
                row[first : first + count] = words[1:]
                missing -= count
        last = len(lines) if lines[-1] else max(len(lines) - 1, 1)
        if not numbers:
            raise self.fault(
                "holds no frame", last, "", "Each frame begins with its number on a line of its own"
            )
        self._end_frame(row, missing, numbers, last)
        rows += row
        values = self._numbers(rows)
        if values is None:
            raise self._wrong_number(lines)
        values = values.reshape(len(numbers), self.width)
        values.setflags(write=False)
        return Motion(values, np.array(numbers), degrees)

    def _header(self, words: list[str], numbers: list[int], line: int, degrees: bool) -> bool:
        """Return whether angles are degrees, after a line of the header."""
        word = words[0].lower()
        if numbers or len(words) > 1 or word not in (FULLY_SPECIFIED, *ANGLES):
            raise self.fault(
                f"{shown(' '.join(words))} cannot stand there",
                line,
                "",
                ":FULLY-SPECIFIED and :DEGREES or :RADIANS stand above the first frame, each on a line",
            )
        return ANGLES.get(word, degrees)

    def _frame_number(self, text: str, numbers: list[int], line: int) -> int:
        """Return the number of a frame; it is above the one before."""
        number = int(text) if len(text) < 16 else -1
        if number < 0 or (numbers and number <= numbers[-1]):
            raise self.fault(
                f"frame {shown(text)} follows frame {numbers[-1]}"
                if numbers
                else "the frame's number is too large",
                line,
                "",
                "The numbers of the frames increase",
            )
        return number

    def _bone(
        self, words: list[str], row: list[str], numbers: list[int], line: int
    ) -> tuple[int, int]:
        """Return first column and count of a bone's line."""
        if not numbers:
            raise self.fault(
                f"found {shown(words[0])} before the first frame",
                line,
                "",
                "A motion file begins with :FULLY-SPECIFIED and :DEGREES or :RADIANS; "
                "each frame begins with its number",
            )
        place = f", frame {numbers[-1]}"
        found = self.columns.get(words[0])
        if found is None:
            raise self.fault(
                f"the skeleton has no bone {shown(words[0])}",
                line,
                place,
                "Give the skeleton file that belongs to this motion",
            )
        place += f", bone {readable(words[0])}"
        first, count = found
        if len(words) - 1 != count:
            raise self.fault(
                f"the bone has {len(words) - 1} numbers, but its dof names {count}",
                line,
                place,
                "The file seems to be cut short, or the skeleton file does not belong to it",
            )
        if count and row[first]:
            raise self.fault("the bone stands there twice", line, place, "Leave one out")
        return first, count

    def _end_frame(self, row: list[str], missing: int, numbers: list[int], line: int) -> None:
        """Raise FormatError where a frame lacks a bone."""
        if missing:
            first = row.index("")
            name = next(
                bone
                for bone, (start, count) in self.columns.items()
                if start <= first < start + count
            )
            raise self.fault(
                f"the bone {shown(name)} is missing",
                line,
                f", frame {numbers[-1]}",
                "Every frame says something of every bone with a dof; the file may be cut short",
            )

    def _numbers(self, words: list[str]) -> Array | None:
        """Return the numbers that words spell, None where one spells none."""
        try:
            values = np.array(list(map(float, words)))
        except ValueError:
            return None
        # float() takes 1_000, which no other reader does.
        fine = bool(np.all(np.abs(values) <= LARGEST)) and not any("_" in word for word in words)
        return values if fine else None

    def _wrong_number(self, lines: list[str]) -> FormatError:
        """Return the error for the first word that is no number."""
        frame = ""
        for line, text in enumerate(lines, start=1):
            words = words_in(text)
            if words and is_frame_number(words):
                frame = words[0]
            elif words and not words[0].startswith(":"):
                for word in words[1:]:
                    try:
                        number_from(
                            word,
                            self.path,
                            f"line {line}, frame {frame}, bone {readable(words[0])}",
                        )
                    except FormatError as error:
                        return error
        return self.fault("holds a word that is not a number", 1, "", "Write the file again")
