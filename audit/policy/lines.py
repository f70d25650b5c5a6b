"""On which line of a TOML file each key stands: the standard reader gives values without places."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from contextlib import suppress

Place = tuple[str | int, ...]
"""The way to a value: keys of tables, and numbers of the elements of arrays, from 0."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRINGS = (
    re.compile(r'"""(?:\\.|[^\\])*?"""(?:"{0,2})', re.DOTALL),
    re.compile(r"'''.*?'''(?:'{0,2})", re.DOTALL),
    re.compile(r'"(?:\\.|[^"\\\n])*"'),
    re.compile(r"'[^'\n]*'"),
)
_BARE_VALUE = re.compile(r"[^,\]}\n#]+")


def key_lines(text: str) -> dict[Place, int]:
    """Return the line, from 1, on which each key, table and array element of a TOML text begins.

    Parameters
    ----------
    text
        Text that ``tomllib`` reads. On other text the answer stops where it no longer makes sense.

    Notes
    -----
    A table that is opened again, by a header or by a dotted key, keeps the line on which it was first named.
    Written after the grammar of TOML 1.0.
    """
    scanner = _Scanner(text)
    with suppress(_NotUnderstoodError, tomllib.TOMLDecodeError):
        scanner.scan()
    return scanner.lines


class _NotUnderstoodError(Exception):
    """The text is not what was expected; what was found before stands."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Place, int] = {}
        self.counts: dict[Place, int] = {}
        self.starts = [0, *(found.end() for found in re.finditer("\n", text))]

    def scan(self) -> None:
        """Go through the whole text."""
        table: Place = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self._takes("[["):
                table = self._opened(self._key(), several=True)
                self._expect("]]")
            elif self._takes("["):
                table = self._opened(self._key(), several=False)
                self._expect("]")
            else:
                self._assignment(table)
            self._skip(_BLANK)

    def _opened(self, keys: list[tuple[str, int]], *, several: bool) -> Place:
        """Return the table that a header opens."""
        place: Place = ()
        for number, (key, line) in enumerate(keys):
            place = (*place, key)
            self.lines.setdefault(place, line)
            last = number == len(keys) - 1
            if last and several:
                self.counts[place] = self.counts.get(place, 0) + 1
            if place in self.counts:
                place = (*place, self.counts[place] - 1)
                self.lines.setdefault(place, line)
        return place

    def _assignment(self, table: Place) -> None:
        """Go over ``key = value``."""
        place = table
        for key, line in self._key():
            place = (*place, key)
            self.lines.setdefault(place, line)
        self._skip(_SPACE)
        self._expect("=")
        self._skip(_SPACE)
        self._value(place)

    def _key(self) -> list[tuple[str, int]]:
        """Go over a key, dotted or not, and return its parts with their lines."""
        parts = []
        while True:
            self._skip(_SPACE)
            line = self._line()
            if self.text[self.at : self.at + 1] in ("'", '"'):
                quoted = self._skip(_STRINGS[2] if self.text[self.at] == '"' else _STRINGS[3])
                parts.append((str(tomllib.loads(f"key = {quoted}")["key"]), line))
            else:
                parts.append((self._skip(_BARE_KEY), line))
            self._skip(_SPACE)
            if not self._takes("."):
                return parts

    def _value(self, place: Place) -> None:
        """Go over a value, and note the places in it."""
        if self._takes("["):
            self._array(place)
        elif self._takes("{"):
            self._skip(_BLANK)
            while not self._takes("}"):
                self._assignment(place)
                self._skip(_BLANK)
                self._takes(",")
                self._skip(_BLANK)
        else:
            for string in _STRINGS:
                if string.match(self.text, self.at):
                    self._skip(string)
                    return
            self._skip(_BARE_VALUE)

    def _array(self, place: Place) -> None:
        number = 0
        self._skip(_BLANK)
        while not self._takes("]"):
            self.lines[*place, number] = self._line()
            self._value((*place, number))
            number += 1
            self._skip(_BLANK)
            self._takes(",")
            self._skip(_BLANK)

    def _line(self) -> int:
        return bisect_right(self.starts, self.at)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            raise _NotUnderstoodError
        self.at = found.end()
        return found[0]

    def _takes(self, word: str) -> bool:
        if self.text.startswith(word, self.at):
            self.at += len(word)
            return True
        return False

    def _expect(self, word: str) -> None:
        if not self._takes(word):
            raise _NotUnderstoodError
