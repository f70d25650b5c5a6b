"""What several commands take: shots as files and folders, and a skeleton that is apart."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import click

from audit.errors import InputError

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
