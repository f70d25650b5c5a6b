"""What several commands take: shots as files and folders, and a skeleton that is apart."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from audit.cli.progress import Progress
from audit.errors import InputError

if TYPE_CHECKING:
    from audit.model import Shot

Command = Callable[..., Any]


def shots_argument(command: Command) -> Command:
    """Let a command take one or more shots."""
    return click.argument(
        "shots", nargs=-1, required=True, metavar="SHOT...", type=click.Path(path_type=Path)
    )(command)


def skeleton_option(command: Command) -> Command:
    """Let a command take the file of a skeleton that is apart."""
    return click.option(
        "--skeleton",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="The skeleton, for formats that keep it in a file of its own (Acclaim: the .asf).",
    )(command)


def files_of(shots: Iterable[Path], leave_out: Iterable[Path] = ()) -> list[Path]:
    """Return files as they are, and for each folder the shots in it and below, in order of their paths.

    A file in a folder counts as a shot by its suffix; a skeleton that is apart is none, nor is a CSV file that
    holds something else than motion, such as an offsets sheet. Files that are to be left out, and all files in
    such folders, count only where they are given by name.

    Raises
    ------
    InputError
        Where a folder holds no shot.
    """
    from audit.formats import formats

    out = [each.resolve() for each in leave_out]
    suffixes = {
        suffix for each in formats().values() for suffix in each.suffixes if suffix != ".asf"
    }
    files: list[Path] = []
    for path in shots:
        if not path.is_dir():
            files.append(path)
            continue
        # The folder itself is never left out: it was asked for by name.
        within = [each for each in out if not path.resolve().is_relative_to(each)]
        found = sorted(
            each
            for each in path.rglob("*")
            if each.suffix.lower() in suffixes
            and each.is_file()
            and not any(part.startswith(".") for part in each.relative_to(path).parts)
            and not any(each.resolve().is_relative_to(other) for other in within)
            and not _is_other_table(each)
        )
        if not found:
            raise InputError(
                "holds no shot",
                path=path,
                hint="Shots are files that end with " + ", ".join(sorted(suffixes)),
            )
        files += found
    return files


def _is_other_table(path: Path) -> bool:
    """Tell whether a CSV file can be read and holds no motion."""
    from audit.formats import formats

    if path.suffix.lower() != ".csv":
        return False
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        return False
    return not any(each.recognises(head) for each in formats().values())


class Shots:
    """The shots of some files, read one after the other and as often as they are asked for.

    A file that cannot be read is named once, and left out from then on.

    Attributes
    ----------
    failed
        Whether any file could not be read.
    """

    def __init__(self, paths: Sequence[Path], skeleton: Path | None, *, quiet: bool) -> None:
        self._paths = list(paths)
        self._skeleton = skeleton
        self._quiet = quiet
        self.failed = False

    def __iter__(self) -> Iterator[Shot]:
        """Read the files once more."""
        from audit.pipeline import read_all

        with Progress(len(self._paths), "Reading shots", quiet=self._quiet) as progress:
            for path in list(self._paths):
                try:
                    found = read_all(path, self._skeleton)
                except InputError as error:
                    self.failed = True
                    self._paths.remove(path)
                    click.echo(f"hinge-audit: {error}", err=True)
                else:
                    yield from found
                progress.step()
