"""Files and formats: how a format announces itself, and how the format of a file is told."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.errors import InputError, UnknownFormatError, UsageError
from audit.model import Shot, Skin, Source


@dataclass(frozen=True, slots=True)
class Opened:
    """A file that is being read, and the way to the files beside it.

    Attributes
    ----------
    data
        Its bytes.
    path
        Its path as it was given, for errors and for the shot's source.
    skeleton
        The separate skeleton file, for formats that keep one; None where none was given.
    """

    data: bytes
    path: str
    skeleton: Opened | None = None

    def source(self, format_name: str) -> Source:
        """Return where a shot of this file comes from: its path, format and checksum."""
        return Source(self.path, format_name, hashlib.sha256(self.data).hexdigest())

    def check_whole(self) -> None:
        """Raise InputError where a separate skeleton is given: for formats that hold their own."""
        if self.skeleton is not None:
            raise InputError(
                "holds its own skeleton",
                path=self.path,
                hint="Leave the separate skeleton file out",
            )

    def beside(self, name: str) -> bytes:
        """Return the bytes of a file that this one names.

        Parameters
        ----------
        name
            A relative path, as it stands in the file.

        Raises
        ------
        InputError
            Where it cannot be opened, or leads out of the folder that this file is in: a file from outside
            must not be able to fetch others.
        """
        folder = Path(self.path).resolve().parent
        try:
            target = (folder / name).resolve()
        except (OSError, ValueError) as error:
            raise _not_opened(error, folder / name) from error
        if not target.is_relative_to(folder):
            raise InputError(
                f"names the file {name!r}, which is not in its own folder",
                path=self.path,
                hint="Put both files into one folder",
            )
        return bytes_of(target)


@dataclass(frozen=True, slots=True)
class Format:
    """A file format.

    Attributes
    ----------
    name
        Short name, as it stands in the results.
    title
        One line on what the format is.
    suffixes
        Lower-case file suffixes, with the dot.
    recognises
        Tells from the first bytes of a file whether it is of this format; content goes before suffix.
    read
        Reads a whole file to its shots, one or more, all of one skeleton. Raises FormatError.
    sample
        Returns a tiny valid file, with its skeleton where that is apart, for the contract tests.
    write
        Writes shots of one skeleton, as ``read`` returned them or changed since, under a file name: returns
        the bytes of each file by name, the named one first. None where the format is only read.
    skins
        Returns the skins that a shot's file holds, from the shot as ``read`` returned it, in the file's rest
        axes. None where the format has no skins.
    """

    name: str
    title: str
    suffixes: tuple[str, ...]
    recognises: Callable[[bytes], bool]
    read: Callable[[Opened], tuple[Shot, ...]]
    sample: Callable[[], Opened]
    write: Callable[[Sequence[Shot], str], dict[str, bytes]] | None = None
    skins: Callable[[Shot], tuple[Skin, ...]] | None = None


def only_one(shots: Sequence[Shot], holder: str) -> Shot:
    """Return the one shot that a file is to hold; UsageError where there are none or several.

    Parameters
    ----------
    shots
        What is to be written.
    holder
        What holds one shot, such as "a BVH file".
    """
    if len(shots) != 1:
        raise UsageError(f"{holder} holds one shot, not {len(shots)}", hint="Write one file a shot")
    return shots[0]


def bytes_of(path: str | Path) -> bytes:
    """Return the bytes of a file; InputError where it cannot be opened."""
    try:
        return Path(path).read_bytes()
    except (OSError, ValueError) as error:  # a path with a null byte in it is a ValueError
        raise _not_opened(error, path) from error


def _not_opened(error: OSError | ValueError, path: str | Path) -> InputError:
    """Return the error for a file that cannot be opened."""
    cause = getattr(error, "strerror", None) or error
    return InputError(
        f"cannot be opened ({cause})", path=path, hint="A shot is one file; give its path"
    )


def read_shots(
    path: str | Path, formats: Mapping[str, Format], skeleton: str | Path | None = None
) -> tuple[Shot, ...]:
    """Read all shots of a file with the format that recognises it.

    Parameters
    ----------
    path
        The file.
    formats
        Formats by name. Content decides first, the suffix where no content is recognised.
    skeleton
        File with the skeleton, for formats that keep it apart.

    Raises
    ------
    InputError
        Where the file cannot be opened.
    UnknownFormatError
        Where no format takes it.
    FormatError
        Where it breaks the rules of its format.
    """
    data = bytes_of(path)
    apart = None if skeleton is None else Opened(bytes_of(skeleton), str(skeleton))
    return format_of(data, path, formats).read(Opened(data, str(path), apart))


def format_of(data: bytes, path: str | Path, formats: Mapping[str, Format]) -> Format:
    """Return the format that takes a file; UnknownFormatError where none does."""
    head, suffix = data[:4096], Path(path).suffix.lower()
    takers = [each for each in formats.values() if each.recognises(head)] or [
        each for each in formats.values() if suffix in each.suffixes
    ]
    if not takers:
        known = ", ".join(suffix for each in formats.values() for suffix in each.suffixes)
        raise UnknownFormatError(
            "is of no format that hinge-audit reads" if data else "is empty",
            path=path,
            hint=f"It reads {known}; `hinge-audit explain` lists the formats",
        )
    return takers[0]
