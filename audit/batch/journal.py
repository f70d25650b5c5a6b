"""What is finished of a run, so that one that was stopped can go on.

One line an item, written in one piece as the item is finished: a line that was cut off, or that two runs wrote
over each other, fails its checksum and counts as none.
"""

from __future__ import annotations

import base64
import errno
import json
import os
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Generic, TypeVar

from audit.batch.cache import stamp_of
from audit.batch.packing import Packing
from audit.errors import OutputError, UsageError
from audit.files import not_written

Result = TypeVar("Result")

NAME = ".unfinished-run"
"""Name of the file in the folder that the run writes to."""


class Journal(Generic[Result]):
    """The finished items of a run.

    Parameters
    ----------
    folder
        Folder that the run writes to; it is made where it does not exist.
    digest
        What the results depend on beside the items; see :func:`audit.batch.cache.digest_of`.
    packing
        How results become bytes.
    resume
        Go on where an earlier run stopped; otherwise what it left is thrown away.
    is_final
        Tells whether a result stands; others are worked out again when the run is resumed. All stand where it
        is None.

    Raises
    ------
    OutputError
        Where the folder cannot be written.
    UsageError
        Where the run to be resumed had other options, or was made by another version.
    """

    def __init__(
        self,
        folder: Path,
        digest: str,
        packing: Packing,
        *,
        resume: bool = False,
        is_final: Callable[[Result], bool] | None = None,
    ) -> None:
        self.path = folder / NAME
        self._packing = packing
        self._places: dict[str, tuple[int, int, str]] = {}
        self._head = json.dumps({"run": digest}).encode("ascii") + b"\n"
        self._is_broken = False
        self._is_final = is_final
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file = open(self.path, "ab" if resume else "wb", buffering=0)  # noqa: SIM115
            self._reading = open(self.path, "rb")  # noqa: SIM115
            if not self._take_up():
                self._write(self._head)
        except OSError as error:
            raise not_written(self.path, error) from error

    def __len__(self) -> int:
        """Return how many finished items an earlier run left."""
        return len(self._places)

    def known(self, item: str) -> Result | None:
        """Return the result of an item that an earlier run finished; None where there is none or it changed."""
        place = self._places.get(item)
        if place is None or place[2] != stamp_of(item):
            return None
        start, length, _ = place
        try:
            self._reading.seek(start)
            line = self._reading.read(length)
            result: Result = self._packing.unpack(base64.b64decode(line.split(b" ", 2)[2]))
            return result
        except (OSError, ValueError, IndexError):
            return None

    def add(self, item: str, stamp: str, value: Result) -> str:
        """Write down that an item is finished.

        Parameters
        ----------
        item, stamp
            The item, and its :func:`audit.batch.cache.stamp_of` before it was begun.
        value
            What came of it.

        Returns
        -------
        str
            A remark, once, where that cannot be done; otherwise empty.
        """
        if self._is_broken or (self._is_final is not None and not self._is_final(value)):
            return ""
        head = json.dumps([item, stamp]).encode("ascii")
        body = base64.b64encode(head) + b" " + base64.b64encode(self._packing.pack(value))
        try:
            self._write(b"%08x " % zlib.crc32(body) + body + b"\n")
        except OSError as error:
            self._is_broken = True
            cause = error.strerror or str(error)
            return f"{self.path}: cannot be written ({cause}), so this run cannot be resumed"
        return ""

    def close(self, *, finished: bool) -> None:
        """Let go of the file, and delete it where the run is finished and its results are in place."""
        with suppress(OSError):
            self._file.close()
            self._reading.close()
        if finished:
            with suppress(OSError):
                self.path.unlink()

    def _write(self, line: bytes) -> None:
        # One call for a whole line, so that it is there or not, wherever this process is ended.
        if self._file.write(line) != len(line):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _take_up(self) -> bool:
        """Find the whole lines of an earlier run; False where there is none."""
        head = self._reading.readline()
        if not head:
            return False
        if head != self._head:
            self.close(finished=False)
            if head.endswith(b"\n"):
                raise UsageError(
                    "the run that was stopped had other options, or another version made it",
                    path=self.path,
                    hint="Leave --resume out to begin anew",
                )
            raise OutputError(
                "is damaged at its beginning",
                path=self.path,
                hint="Leave --resume out to begin anew",
            )
        start, is_whole = len(head), True
        while line := self._reading.readline():
            self._take(line, start)
            start += len(line)
            is_whole = line.endswith(b"\n")
        if not is_whole:
            self._write(b"\n")
        return True

    def _take(self, line: bytes, start: int) -> None:
        with suppress(ValueError, IndexError, TypeError):
            checksum, body = line.rstrip(b"\n").split(b" ", 1)
            if int(checksum, 16) == zlib.crc32(body):
                item, stamp = json.loads(base64.b64decode(body.split(b" ", 1)[0]))
                self._places[item] = (start, len(line.rstrip(b"\n")), stamp)
