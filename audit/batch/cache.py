"""Results of earlier runs, found again by the content of the files they came from.

A result may be used again where the shot's bytes, the files it names, the options and the program are the
same; all of these are in the key or checked. Times of change do not matter. The folder may be deleted at any
time, and several runs may use it at once: entries appear whole, and one that is damaged counts as none.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Generic, TypeVar

import audit
from audit.batch.opened import companions, noted_files
from audit.batch.packing import Packing
from audit.errors import InputError, OutputError
from audit.files import write_whole

Result = TypeVar("Result")

SUFFIX = ".entry"
MOST_BYTES = 4 * 2**30
"""Beyond this size the entries that were not used for longest go."""

WHOLE_BYTES = 2**22
"""A file up to this size is hashed in one go: a thread that asks for the interpreter's lock after each part of
it waits for it each time."""

SOURCE = {".py", ".so", ".pyd"}
"""Suffixes of the files that make up the program; the last two are compiled code."""

TRIM_EVERY_S = 24 * 3600.0
OLD_DRAFT_S = 3600.0
"""A draft that is older was left by a process that was ended."""

SETTLED_S = 2.0
"""A file that changed just now may change again within the same tick of the file system's clock."""


def default_folder() -> Path:
    """Return where this system keeps what may be deleted: ``hinge-audit`` in the user's cache folder."""
    if sys.platform == "win32":
        home = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
        return home / "hinge-audit" / "cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "hinge-audit"
    given = os.environ.get("XDG_CACHE_HOME", "")
    # The XDG base directory specification: a relative path is to be ignored.
    home = Path(given) if os.path.isabs(given) else Path.home() / ".cache"
    return home / "hinge-audit"


def digest_of(options: Mapping[str, Any], files: Sequence[str | Path] = ()) -> str:
    """Return a digest of everything but the shot that a result depends on.

    Parameters
    ----------
    options
        Plain values: settings, policy, flags.
    files
        Files that all shots depend on, such as a skeleton that is apart; their content counts.

    Returns
    -------
    str
        SHA-256 as hexadecimal digits, over the above, this program's source and version, and the versions of
        the libraries that it computes with.

    Raises
    ------
    InputError
        Where one of the files cannot be read.
    """
    text = json.dumps(options, sort_keys=True, ensure_ascii=True, default=str)
    whole = hashlib.sha256(f"{_program()}\n{text}\n".encode())
    for path in files:
        try:
            whole.update(file_digest(path).encode())
        except OSError as error:
            raise InputError(f"cannot be opened ({error.strerror})", path=path) from error
    return whole.hexdigest()


@cache
def _program() -> str:
    """Return what identifies this program: a working copy that was edited is another program."""
    # Costs 40 ms, and only a run with a cache or a journal needs it.
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

    root = Path(audit.__file__).parent
    source = hashlib.sha256()
    files = (path for path in root.rglob("*") if path.suffix in SOURCE)
    for path in sorted(files):
        source.update(path.relative_to(root).as_posix().encode() + b"\0")
        with suppress(OSError):
            source.update(path.read_bytes() + b"\0")
    libraries = []
    for name in ("numpy", "scipy", "pyarrow"):
        with suppress(PackageNotFoundError):
            libraries.append(f"{name} {version(name)}")
    return "; ".join([f"hinge-audit {audit.__version__} {source.hexdigest()}", *libraries])


def file_digest(path: str | Path) -> str:
    """Return the SHA-256 of a file's bytes as hexadecimal digits; OSError where it cannot be read."""
    with open(path, "rb", buffering=0) as file:
        if os.fstat(file.fileno()).st_size > WHOLE_BYTES:
            return hashlib.file_digest(file, "sha256").hexdigest()
        return hashlib.sha256(file.read()).hexdigest()


@dataclass(frozen=True, slots=True)
class Look(Generic[Result]):
    """What the cache says of a shot.

    Attributes
    ----------
    digest
        SHA-256 of the shot's bytes; None where it cannot be read.
    value
        The result; None where there is none.
    """

    digest: str | None
    value: Result | None


@dataclass(frozen=True)
class Cache(Generic[Result]):
    """A folder of results.

    Attributes
    ----------
    folder
        Where it is; made when the first result is kept.
    digest
        From :func:`digest_of`.
    packing
        How results become bytes.
    renamed
        Gives a result the name of another file with the same bytes. Where it is None, a result is only found
        again under the path that it was made for.
    also
        What else the result for a path depends on, such as the rules that hold in its folder; as a text.
    is_final
        Tells whether a result may be kept at all: one that speaks of a shortage of memory may not. All of them
        where it is None.
    trust_stamps
        Take a file for unchanged where path, size and time of change are those of an earlier run, without
        reading it. Faster for large files, and wrong where something sets times back.
    most_bytes
        Size that :meth:`trim` leaves.
    """

    folder: Path
    digest: str
    packing: Packing = field(default_factory=Packing)
    renamed: Callable[[Result, str], Result] | None = None
    also: Callable[[str], str] | None = None
    is_final: Callable[[Result], bool] | None = None
    trust_stamps: bool = False
    most_bytes: int = MOST_BYTES

    def look(self, path: str) -> Look[Result]:
        """Return what is known of a shot; safe to be called from several threads."""
        try:
            digest = self._stamped(path) if self.trust_stamps else None
            digest = digest or file_digest(path)
        except (OSError, ValueError):
            return Look(None, None)
        entry = self._entry(path, digest)
        try:
            beside, value = self.packing.unpack(entry.read_bytes())
            folder = os.path.dirname(path)
            if any(digest_or_none(os.path.join(folder, name)) != was for name, was in beside):
                return Look(digest, None)
        except (OSError, ValueError, TypeError):
            return Look(digest, None)
        with suppress(OSError):
            os.utime(entry)
        return Look(digest, value if self.renamed is None else self.renamed(value, path))

    def keep(self, path: str, digest: str, beside: Sequence[str], value: Result) -> bool:
        """Keep a result, unless the shot is no longer what it was.

        Parameters
        ----------
        path, digest
            The shot, and its digest before it was worked on.
        beside
            The files that it names, relative to its folder.
        value
            The result.

        Returns
        -------
        bool
            False where the folder cannot be written.
        """
        if self.is_final is not None and not self.is_final(value):
            return True
        if digest_or_none(path) != digest:
            return True
        folder = os.path.dirname(path)
        named = [(name, digest_or_none(os.path.join(folder, name))) for name in beside]
        try:
            write_whole(self._entry(path, digest), self.packing.pack((named, value)))
            if self.trust_stamps:
                self._stamp(path, digest)
        except OutputError:
            return False
        return True

    def task(self, task: Callable[[str], Result]) -> KeepingTask[Result]:
        """Return a task that keeps what it gives in this cache."""
        return KeepingTask(task, self)

    def trim(self, *, now: bool = False) -> int:
        """Make the folder smaller where it is too large, once a day; returns how many entries went.

        Parameters
        ----------
        now
            Look at it even if that was done less than a day ago.
        """
        mark = self.folder / "trimmed"
        with suppress(OSError):
            if not now and time.time() - mark.stat().st_mtime < TRIM_EVERY_S:
                return 0
        entries, gone = [], 0
        for path in self.folder.glob("*/*"):
            with suppress(OSError):
                found = path.stat()
                if path.suffix == ".part" and time.time() - found.st_mtime > OLD_DRAFT_S:
                    path.unlink()
                else:
                    entries.append((found.st_mtime, found.st_size, path))
        size = sum(each[1] for each in entries)
        for _, length, path in sorted(entries):
            if size <= self.most_bytes:
                break
            with suppress(OSError):
                path.unlink()
                size, gone = size - length, gone + 1
        with suppress(OutputError):
            write_whole(mark, b"")
        return gone

    def _entry(self, path: str, digest: str) -> Path:
        name = "" if self.renamed is not None else path
        also = "" if self.also is None else self.also(path)
        whole = f"{digest}\n{self.digest}\n{also}\n{name}".encode("utf-8", "surrogateescape")
        key = hashlib.sha256(whole).hexdigest()
        return self.folder / key[:2] / (key[2:] + SUFFIX)

    def _stamp_file(self, path: str) -> Path:
        key = hashlib.sha256(os.path.abspath(path).encode("utf-8", "surrogateescape")).hexdigest()
        return self.folder / key[:2] / (key[2:] + ".stamp")

    def _stamped(self, path: str) -> str | None:
        with suppress(OSError, ValueError):
            stamp, digest = self._stamp_file(path).read_text(encoding="ascii").split("\n")
            if stamp == stamp_of(path) and len(digest) == 64:
                return digest
        return None

    def _stamp(self, path: str, digest: str) -> None:
        stamp = stamp_of(path)
        if stamp and time.time() - os.stat(path).st_mtime > SETTLED_S:
            write_whole(self._stamp_file(path), f"{stamp}\n{digest}".encode("ascii"))


def stamp_of(path: str) -> str:
    """Return size and time of change of a file, as one word; empty where there is no such file."""
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        return ""
    return f"{found.st_size}-{found.st_mtime_ns}-{found.st_ino}"


def digest_or_none(path: str) -> str | None:
    """Return the SHA-256 of a file's bytes as hexadecimal digits; None where it cannot be read."""
    with suppress(OSError, ValueError):
        return file_digest(path)
    return None


@dataclass(frozen=True)
class KeepingTask(Generic[Result]):
    """A task that keeps what it gives: called with a shot and the digest that its bytes had."""

    task: Callable[[str], Result]
    cache: Cache[Result]

    def __call__(self, path: str, digest: str | None) -> tuple[Result, bool]:
        """Return what the task gives, and whether it could be kept."""
        with noted_files() as opened:
            value = self.task(path)
        if digest is None:
            return value, True
        return value, self.cache.keep(path, digest, companions(path, opened), value)
