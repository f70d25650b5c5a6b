"""Which files a task reads beside its own: what it gave may only be used again while they are the same."""

from __future__ import annotations

import os
import stat
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

_here = threading.local()
_CODE = (".py", ".pyc", ".pyd", ".so", ".dll", ".dylib")


@contextmanager
def noted_files() -> Iterator[list[str]]:
    """Give a list that fills with the paths that this thread opens for reading, there or not.

    Notes
    -----
    Python tells of every file it opens (PEP 578). Libraries that open files by themselves are not seen; every
    format of this project takes bytes that Python has read.
    """
    _listen()
    before = getattr(_here, "paths", None)
    paths: list[str] = []
    _here.paths = paths
    try:
        yield paths
    finally:
        _here.paths = before


@cache
def _listen() -> None:
    sys.addaudithook(_hear)


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    if event != "open":
        return
    paths = getattr(_here, "paths", None)
    if paths is None:
        return
    path, _, flags = arguments
    if isinstance(path, bytes):
        path = os.fsdecode(path)
    if isinstance(path, str) and not (flags or 0) & (os.O_WRONLY | os.O_RDWR):
        paths.append(path)


def companions(path: str, opened: list[str]) -> list[str]:
    """Return the files that were opened beside a shot, in its folder or below, relative to that folder.

    Parameters
    ----------
    path
        The shot.
    opened
        What was opened while it was read. Files elsewhere are the program's own.
    """
    folder = os.path.realpath(os.path.dirname(path) or ".")
    itself = os.path.realpath(path)
    found = set()
    for each in opened:
        real = os.path.realpath(each)
        if real == itself or not real.startswith(folder + os.sep) or real.endswith(_CODE):
            continue
        try:
            if not stat.S_ISREG(os.stat(real).st_mode):
                continue
        except OSError:
            # A file that is missing is a companion too: the answer changes when it appears.
            pass
        found.add(os.path.relpath(real, folder))
    return sorted(found)
