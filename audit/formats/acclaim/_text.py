"""What skeleton and motion files share: words with their places, numbers, and how a wrong one is worded."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final, NamedTuple

from audit import spelling

BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"

LARGEST: Final = 1e30
"""Larger numbers are refused (our choice): a product of a few of them would not be finite any more."""

_LINE = re.compile(r"([^\r\n]*)(?:\r\n|\r|\n|\Z)")
_WORD = re.compile(r"[^\0- ,()]+")


class Word(NamedTuple):
    """A word of a file.

    Attributes
    ----------
    text
        As it stands there, one letter a byte.
    line
        Counted from 1.
    start, end
        Place of its first byte in the file, and of the byte after its last.
    """

    text: str
    line: int
    start: int
    end: int

    @property
    def name(self) -> str:
        """The word as the name of a bone: UTF-8 where it is that, else Latin-1."""
        return readable(self.text)

    @property
    def keyword(self) -> str:
        """The word in lower case, as keywords are compared."""
        return self.text.lower()


def text_of(data: bytes) -> str:
    """Return a file as text with one letter a byte, so that places in both agree."""
    return data.decode("latin-1")


def readable(text: str) -> str:
    """Return text of one letter a byte as it was meant: UTF-8 where it is that, else Latin-1."""
    try:
        return text.encode("latin-1").decode("utf-8")
    except UnicodeDecodeError:
        return text


def words_of(data: bytes) -> Iterator[Word]:
    """Yield the words of a file; comments, commas and parentheses count as white space."""
    text = text_of(data)
    start = len(BYTE_ORDER_MARK) if data.startswith(BYTE_ORDER_MARK) else 0
    for line, found in enumerate(_LINE.finditer(text, start), start=1):
        end = text.find("#", found.start(1), found.end(1))
        for word in _WORD.finditer(text, found.start(1), found.end(1) if end < 0 else end):
            yield Word(word[0], line, word.start(), word.end())


def shown(text: str) -> str:
    """Return a piece of the file in quotes, shortened where it is long."""
    return spelling.shown(readable(text))


def number_from(text: str, path: str, where: str) -> float:
    """Return the number that a word spells.

    Raises
    ------
    FormatError
        Where it spells none, or one that is not finite or larger than :data:`LARGEST`.
    """
    return spelling.number_from(readable(text), path, where, largest=LARGEST)
