"""Shots by the thousand: files, folders, patterns, and lists of them in a file or on standard input."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from glob import glob, has_magic
from pathlib import Path

from audit.cli.inputs import files_of
from audit.errors import InputError, UsageError

LIST = "@"
STANDARD_INPUT = "-"
COMMENT = "#"


@dataclass(frozen=True, slots=True)
class Missing:
    """Something that was asked for and gives no shot."""

    word: str
    error: InputError


def shots_among(
    words: Iterable[str],
    leave_out: Iterable[Path] = (),
    standard_input: Callable[[], bytes] | None = None,
) -> tuple[list[str], list[Missing]]:
    """Return the files that are asked for, each once and in the order of their paths.

    Parameters
    ----------
    words
        Files, folders, glob patterns (``**`` for any folders), ``@list.txt`` for a file with one of these a
        line, ``-`` for such a list on standard input. A file that exists is that file, whatever its name.
    leave_out
        Folders whose files count only where they are given by name.
    standard_input
        Returns what stands on standard input.

    Returns
    -------
    files
        Paths, as they were given. Files that do not exist are among them.
    missing
        Folders and patterns without a shot, and lists that cannot be read.

    Raises
    ------
    UsageError
        Where nothing is asked for at all.
    """
    found: dict[str, None] = {}
    missing: list[Missing] = []
    out = tuple(leave_out)
    asked = False
    for word in _words(words, missing, standard_input or sys.stdin.buffer.read):
        asked = True
        try:
            found.update(dict.fromkeys(_files(word, out)))
        except InputError as error:
            missing.append(Missing(word, error))
    if not asked and not missing:
        raise UsageError("the list of shots is empty", hint="Give a file, a folder or a list")
    return sorted(found), missing


def _words(
    words: Iterable[str], missing: list[Missing], standard_input: Callable[[], bytes]
) -> Iterator[str]:
    """Go through the words, and in place of a list through what stands in it."""
    for word in words:
        if word == STANDARD_INPUT:
            yield from _listed(standard_input())
        elif word.startswith(LIST) and not os.path.lexists(word):
            try:
                data = Path(word[1:]).read_bytes()
            except (OSError, ValueError) as error:
                cause = f"cannot be opened ({getattr(error, 'strerror', None) or error})"
                hint = "A list is a text file with one path a line"
                missing.append(Missing(word, InputError(cause, path=word[1:], hint=hint)))
            else:
                yield from _listed(data)
        else:
            yield word


def _listed(data: bytes) -> Iterator[str]:
    """Return the paths of a list: one a line, or with a null byte behind each, as ``find -print0`` writes."""
    if b"\0" in data:
        yield from (os.fsdecode(each) for each in data.split(b"\0") if each)
        return
    for line in data.removeprefix(b"\xef\xbb\xbf").splitlines():
        path = os.fsdecode(line).strip()
        if path and not path.startswith(COMMENT):
            yield path


def _files(word: str, leave_out: tuple[Path, ...]) -> list[str]:
    if os.path.lexists(word) or not has_magic(word):
        return [str(path) for path in files_of([Path(word)], leave_out)]
    matching = sorted(glob(word, recursive=True))
    if not matching:
        raise InputError(
            "matches no file", path=word, hint="Patterns match paths from the working folder on"
        )
    files: list[str] = []
    for path in map(Path, matching):
        try:
            files += map(str, files_of([path], leave_out))
        except InputError:
            # One of many folders that a pattern matches may well be empty.
            continue
    if not files:
        raise InputError("matches nothing that holds a shot", path=word, hint="Name the files")
    return files
