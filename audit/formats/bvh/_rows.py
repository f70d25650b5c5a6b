"""The rows of a BVH file: a million numbers as text, read fast, and slowly where something is wrong."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from typing import Final, NamedTuple, NoReturn

import numpy as np

from audit.errors import FormatError
from audit.formats.bvh._header import Header
from audit.formats.bvh._text import LINE_END, line_at, number_from
from audit.model.skeleton import Array, Indices
from audit.spelling import is_number, shown

try:
    from audit.formats.bvh._plain import plain_numbers as _compiled
except ImportError:  # not built for this machine: no compiler, or one without what it needs
    _compiled = None  # type: ignore[assignment]

_plain_numbers: Callable[..., tuple[int, int] | None] | None = _compiled

PIECE: Final = 1 << 18 if _compiled is None else 1 << 16
"""Bytes that are worked through at a time: small enough to stay in a core's cache. To arrays each piece costs a
dozen calls, to compiled code a single one, so that smaller ones pay."""

_WHITE = re.compile(rb"[ \t\r\n]")
_TAB, _LINE_FEED, _RETURN, _SPACE = b"\t\n\r "


def read_rows(data: bytes, header: Header, path: str, pool: Executor | None = None) -> Array:
    """Read the rows.

    Parameters
    ----------
    data
        The whole file.
    header
        What stands before the rows.
    path
        For error messages.
    pool
        Lends a thread that works beside this one; nearly all of the work is done outside of Python's lock. All
        of it is done in this thread where it is None.

    Returns
    -------
    (F, C)
        One row a frame, one column a channel, as the file has them.

    Raises
    ------
    FormatError
        Where a word is no finite number, or the numbers do not make up the rows that the header tells of.
    """
    rows = _Rows(data, header)
    helper = pool and pool.submit(rows.fill, from_the_end=True)
    rows.fill()
    if helper:
        helper.result()
    values = rows.values_of_whole_rows()
    return rows_one_by_one(data, header, path) if values is None else values


class _Rows:
    """All rows, filled in from the front and from the end at once until the two meet.

    Where a piece's numbers go is known on either side without waiting for the other, so they are written to
    their place at once; fresh memory is what costs most here, after the parsing itself.
    """

    def __init__(self, data: bytes, header: Header) -> None:
        self.data = data
        self.shape = header.frames, len(header.channels)
        self.total = header.frames * len(header.channels)
        # Each number takes two bytes at least; a count that cannot be true shall not ask for the memory.
        self.possible = self.total <= len(data)
        self.values = np.zeros(self.total if self.possible else 0)
        self.pieces = deque(_pieces(data, header.rows_start) if self.possible else ())
        self.filled = {False: 0, True: 0}
        self.line_ends: dict[bool, list[Indices]] = {False: [], True: []}

    def fill(self, *, from_the_end: bool = False) -> None:
        """Parse pieces until none is left; stop early at one that is not as it should be."""
        room = _Room(PIECE)
        while self.possible:
            try:
                start, end = self.pieces.pop() if from_the_end else self.pieces.popleft()
            except IndexError:  # the other side took the last one
                return
            if end - start > room.length:
                room = _Room(end - start)
            part = _plain_part(self.data, start, end, room) or _part(self.data, start, end, room)
            filled = self.filled[from_the_end]
            if part is None or filled + len(part.values) > self.total:
                self.possible = False
                return
            count = len(part.values)
            at = self.total - filled - count if from_the_end else filled
            self.values[at : at + count] = part.values
            self.line_ends[from_the_end].append(part.line_ends + at)
            self.filled[from_the_end] += count

    def values_of_whole_rows(self) -> Array | None:
        """Return the rows (F, C); None where the numbers or the lines do not make up the rows."""
        # Where there are too many numbers, the two sides have written over each other.
        if not self.possible or sum(self.filled.values()) != self.total:
            return None
        channels = self.shape[1]
        # Blank lines end where the line before does; a stretch without numbers is no fault below.
        ends = np.sort(
            np.concatenate([*self.line_ends[False], *self.line_ends[True], [self.total]])
        )
        starts = np.concatenate(([0], ends[:-1]))
        within = starts % channels
        passes = within + (ends - starts) > channels
        whole = (within == 0) & (ends % channels == 0)
        # The rule of _check_lines, on arrays.
        return self.values.reshape(self.shape) if np.all(whole | ~passes) else None


def _pieces(data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Yield (start, end) of pieces that begin with white space, so that none cuts a number in two."""
    while start < len(data):
        cut = _WHITE.search(data, start + PIECE)
        end = cut.start() if cut else len(data)
        yield start, end
        start = end


class _Part(NamedTuple):
    """The numbers of a piece (N,), and for each line that ends in it how many of them stand before its end."""

    values: Array
    line_ends: Indices


class _Room:
    """Memory to work in, for pieces up to a length in bytes; fresh memory would cost more than the work."""

    def __init__(self, length: int) -> None:
        self.length = length
        # Each number takes two bytes at least, but for a last one at the end of the file.
        self.numbers = np.zeros(length // 2 + 1)
        self.line_ends = np.zeros(length, dtype=np.int64)
        self.masks = np.zeros((2, length), dtype=np.bool_)


def _plain_part(data: bytes, start: int, end: int, room: _Room) -> _Part | None:
    """Return the numbers of a piece, good until the room is used again.

    None where not every word is a plain number, as one of 17 digits is not, and where the package was built
    without the compiled reader.
    """
    if _plain_numbers is None:
        return None
    found = _plain_numbers(data, start, end, room.numbers, room.line_ends)
    return found and _Part(room.numbers[: found[0]], room.line_ends[: found[1]])


def _part(data: bytes, start: int, end: int, room: _Room) -> _Part | None:
    """Return the numbers of a piece; None where a word is no finite number, or a stray byte stands there."""
    # Loading these takes a tenth of a second, which nobody should pay who reads no file.
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.compute as pc  # noqa: PLC0415

    masks = room.masks[:, : end - start]
    text = np.frombuffer(data, dtype=np.uint8, count=end - start, offset=start)
    control = np.flatnonzero(np.less(text, _SPACE, out=masks[0]))
    kinds = text[control]
    ends_line = (kinds == _LINE_FEED) | (kinds == _RETURN)
    if not np.all(ends_line | (kinds == _TAB)):
        return None
    white = np.less_equal(text, _SPACE, out=masks[0])
    # A piece begins with white space, so no word starts at its first byte: the mask stays False there.
    np.not_equal(white[1:], white[:-1], out=masks[1, 1:])
    edges = np.flatnonzero(masks[1])
    if not white[-1]:
        edges = np.append(edges, len(text))
    if not len(edges):
        return _Part(np.zeros(0), np.zeros(len(control[ends_line]), dtype=np.int64))
    # The edges run: start of a word, end of it, start of the next. Taken as the bounds of strings they make
    # every second string a word and the others the white space between, which the mask leaves out. So nothing
    # is copied, and the same edges serve for the parsing and for the count of numbers on each line.
    strings = pa.LargeBinaryArray.from_buffers(
        pa.large_binary(),
        len(edges) - 1,
        [
            pa.py_buffer(b"\x55" * (len(edges) // 8 + 1)),
            pa.py_buffer(edges),
            pa.py_buffer(data).slice(start),
        ],
    )
    try:
        parsed = pc.cast(strings, pa.float64())
    except pa.ArrowInvalid:
        return None
    values = np.frombuffer(parsed.buffers()[1], dtype=np.float64, count=len(edges) - 1)[::2]
    if not np.isfinite(values).all():
        return None
    return _Part(values, np.searchsorted(edges, control[ends_line], side="right") // 2)


def rows_one_by_one(data: bytes, header: Header, path: str) -> Array:
    """Read the rows word by word: as :func:`read_rows` does, far slower, but naming what is wrong and where.

    Parameters, result and errors are those of :func:`read_rows`.
    """
    channels = len(header.channels)
    numbers: list[float] = []
    lines: list[_Line] = []
    for line, words in _lines(data, header.rows_start):
        before = len(numbers)
        for place, word in enumerate(words):
            number = float(word) if is_number(word) else math.nan
            if not math.isfinite(number):
                _check_place(line, words, place, before, header, path)
                frame, column = divmod(before + place, channels)
                joint, channel = header.channels[column]
                name = header.skeleton.names[joint]
                number = number_from(
                    word, path, f"line {line}, frame {frame}, channel {name} {channel}"
                )
            numbers.append(number)
        lines.append(_Line(line, before, len(words)))
    _check_lines(lines, header, path)
    return np.array(numbers).reshape(header.frames, channels)


class _Line(NamedTuple):
    """A line that is not blank: its number, how many numbers stand before it, and how many on it."""

    line: int
    before: int
    numbers: int


def _lines(data: bytes, start: int) -> Iterator[tuple[int, list[str]]]:
    """Yield the number and the words of each line of the rows that is not blank."""
    first = line_at(data, start)
    for line, raw in enumerate(LINE_END.split(data[start:]), start=first):
        # Not split(): to that, form feeds and the like are white space too.
        words = [word for word in re.split(r"[ \t]+", raw.decode("latin-1")) if word]
        if words:
            yield line, words


def _check_place(
    line: int, words: Sequence[str], place: int, before: int, header: Header, path: str
) -> None:
    """Raise FormatError for a bad word where not even a number may stand: after a row, or after them all."""
    channels = len(header.channels)
    follows = shown(" ".join(words[place:]))
    hint = "Rows hold numbers only; BVH has no comments"
    if before + place >= header.frames * channels:
        raise FormatError(
            f"{follows} stands after the last row", path=path, where=f"line {line}", hint=hint
        )
    if before % channels == 0 and place >= channels:
        raise FormatError(
            f"{follows} stands after the {channels} numbers of the row",
            path=path,
            where=f"line {line}, frame {before // channels}",
            hint=hint,
        )


def _check_lines(lines: Iterable[_Line], header: Header, path: str) -> None:
    """Raise FormatError unless the lines make up the rows.

    They do where each line holds a part of one row, or some whole rows, and the rows are as many as ``Frames``
    says. A short row and a long one that cancel out in the total do not pass.
    """
    channels, total = len(header.channels), 0
    start = _Line(header.frames_line, 0, 0)
    for each in lines:
        total = each.before + each.numbers
        within = each.before % channels
        if within == 0:
            start = each
        if within + each.numbers > channels and not (within == 0 and each.numbers % channels == 0):
            hint = "A row may run over several lines, but it ends where a line ends"
            _wrong_row(start, within or each.numbers, header, path, hint)
        if within == 0 and each.before == header.frames * channels:
            raise FormatError(
                f"Frames: says {header.frames} (line {header.frames_line}), but another row follows the last",
                path=path,
                where=f"line {each.line}",
                hint="Correct the count, or remove what follows",
            )
    if total % channels:
        _wrong_row(start, total % channels, header, path, "The file seems to be cut short")
    if total != header.frames * channels:
        raise FormatError(
            f"Frames: says {header.frames}, but there are {total // channels} rows",
            path=path,
            where=f"line {header.frames_line}",
            hint="Correct the count; or the file is cut short, then write it again",
        )


def _wrong_row(start: _Line, numbers: int, header: Header, path: str, hint: str) -> NoReturn:
    """Raise FormatError for a row with too few or too many numbers."""
    channels = len(header.channels)
    raise FormatError(
        f"the row has {numbers} numbers, but the skeleton has {channels} channels",
        path=path,
        where=f"line {start.line}, frame {start.before // channels}",
        hint=hint,
    )
