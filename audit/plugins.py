"""How a format and a check announce themselves, and how they are found.

A format is one file in ``audit/formats`` that defines ``FORMAT``; a check is one file in ``audit/checks`` that
defines ``CHECK``. Nothing else needs to be told of them: the packages scan their own folders, and the command
line, the docs, the report and the contract tests follow.
"""

from __future__ import annotations

import hashlib
import importlib
import pkgutil
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from inspect import getdoc
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Literal, TypeVar

import numpy as np
import numpy.typing as npt

from audit.errors import InputError, UnknownFormatError, UsageError
from audit.model import Shot, Skeleton, Skin, Source

if TYPE_CHECKING:
    # Only what the announcements of checks are about: loading them takes longer than all else here.
    from audit.measures import Measures
    from audit.pool import Mirrored, PooledMeasures
    from audit.rest import Pairs, RestMeasures

Severity = Literal["fix", "look", "note"]
SEVERITIES: tuple[Severity, ...] = ("fix", "look", "note")
"""From what must be mended to what is only worth knowing."""


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


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check found.

    Attributes
    ----------
    check
        Name of the check.
    severity
        ``fix``, ``look`` or ``note``.
    message
        One sentence that says what is wrong and what to do, with the numbers in it.
    value, limit
        The figure and the limit it passed, in the unit that the message names.
    joint
        Place of the joint, None for a finding about the shot as a whole.
    """

    check: str
    severity: Severity
    message: str
    value: float | None
    limit: float | None
    joint: int | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """A check: looks at a shot and its measures, and yields findings.

    The docstring of the check's module is its page in the docs and its text in ``hinge-audit explain``.

    Attributes
    ----------
    name
        Plain name, as users write it.
    title
        One line on what it finds.
    limits
        Name and default of each limit it uses; written into the results.
    run
        (shot, measures, limits) to findings.
    examples
        Returns a shot on which the check is silent and one on which it fires, for the contract tests.
    """

    name: str
    title: str
    limits: Mapping[str, float]
    run: Callable[[Shot, Measures, Mapping[str, float]], Iterable[Finding]]
    examples: Callable[[], tuple[Shot, Shot]]


@dataclass(frozen=True, slots=True)
class Resting:
    """A rig in its rest pose: a skeleton and the skins that it carries."""

    skeleton: Skeleton
    skins: tuple[Skin, ...] = ()


@dataclass(frozen=True, slots=True)
class RestCheck:
    """A check of a rest pose: looks at a skeleton and what is measured on it, and yields findings.

    The docstring of the check's module is its page, as for :class:`Check`.

    Attributes
    ----------
    name
        Plain name, as users write it; begins with "rest-".
    title
        One line on what it finds.
    limits
        Name and default of each limit it uses; written into the results.
    run
        (skeleton, measures, limits) to findings.
    examples
        Returns a rig on which the check is silent and one on which it fires, for the contract tests.
    """

    name: str
    title: str
    limits: Mapping[str, float]
    run: Callable[[Skeleton, RestMeasures, Mapping[str, float]], Iterable[Finding]]
    examples: Callable[[], tuple[Resting, Resting]]


@dataclass(frozen=True, eq=False)
class Rig:
    """What many shots of one rig say about it.

    Attributes
    ----------
    skeleton
        The rig, as the first shot has it.
    has_rest_rotations
        False for formats whose rest frames are aligned with the world.
    shots
        How many there were.
    measures
        What they say together.
    pairs, mirrored
        Which joints are left and right of each other, and what both sides say together; None where no mirror
        plane was found.
    drift_deg, drift_move : (J,)
        How far rest frames and rest positions were from those of the first shot at most; the move as a share
        of the height.
    drift_shots : (J,)
        In how many shots either was out of tolerance.
    drift_label
        The shot in which it was worst.
    """

    skeleton: Skeleton
    has_rest_rotations: bool
    shots: int
    measures: PooledMeasures
    pairs: Pairs
    mirrored: Mirrored | None
    drift_deg: npt.NDArray[np.float64]
    drift_move: npt.NDArray[np.float64]
    drift_shots: npt.NDArray[np.int64]
    drift_label: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class RigCheck:
    """A check of a rig: looks at what all its shots say together, and yields findings.

    The docstring of the check's module is its page, as for :class:`Check`.

    Attributes
    ----------
    name
        Plain name, as users write it.
    title
        One line on what it finds.
    limits
        Name and default of each limit it uses.
    run
        (rig, limits) to findings.
    examples
        Returns shots of a rig on which the check is silent and of one on which it fires, for the contract
        tests.
    """

    name: str
    title: str
    limits: Mapping[str, float]
    run: Callable[[Rig, Mapping[str, float]], Iterable[Finding]]
    examples: Callable[[], tuple[tuple[Shot, ...], tuple[Shot, ...]]]


Plugin = TypeVar("Plugin", Format, Check, RestCheck, RigCheck)


def page_of(check: Check | RestCheck | RigCheck) -> str:
    """Return what a check means, its formula, its limits and their source, as Markdown.

    It is the docstring of the check's module, with the limits that hold filled in at the end.
    """
    text = getdoc(sys.modules[check.run.__module__]) or ""
    title, _, rest = text.partition("\n")
    lines = [f"# {check.name}", "", title.strip(), rest.rstrip(), ""]
    if check.limits:
        lines += ["## Limits in force", ""]
        lines += [f"- `{name}` = {value:g}" for name, value in check.limits.items()]
    return "\n".join(lines).rstrip() + "\n"


def found_in(package: ModuleType, attribute: str, kind: type[Plugin]) -> dict[str, Plugin]:
    """Return what the modules of a package announce, by name, in alphabetical order.

    Parameters
    ----------
    package
        The package to scan; modules whose name starts with an underscore are left out.
    attribute
        Name of the variable that each module defines.
    kind
        Type that it must have.

    Raises
    ------
    TypeError
        Where a module defines none, or one of another type, or two share a name: a fault of the program.
    """
    found: dict[str, Plugin] = {}
    for module in _modules(package):
        plugin = getattr(module, attribute, None)
        if not isinstance(plugin, kind):
            raise TypeError(f"{module.__name__} defines no {attribute} of type {kind.__name__}")
        if plugin.name in found:
            raise TypeError(f"{module.__name__}: the name {plugin.name!r} is taken")
        found[plugin.name] = plugin
    return dict(sorted(found.items()))


def _modules(package: ModuleType) -> Iterator[ModuleType]:
    for info in sorted(pkgutil.iter_modules(package.__path__), key=lambda info: info.name):
        if not info.name.startswith("_"):
            yield importlib.import_module(f"{package.__name__}.{info.name}")


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
