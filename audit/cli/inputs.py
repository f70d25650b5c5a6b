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


def files_of(shots: Iterable[Path]) -> list[Path]:
    """Return files as they are, and for each folder the shots in it and below, in order of their paths.

    A file in a folder counts as a shot by its suffix; a skeleton that is apart is none.

    Raises
    ------
    InputError
        Where a folder holds no shot.
    """
    from audit.formats import formats

    suffixes = {
        suffix for each in formats().values() for suffix in each.suffixes if suffix != ".asf"
    }
    files: list[Path] = []
    for path in shots:
        if not path.is_dir():
            files.append(path)
            continue
        found = sorted(
            each
            for each in path.rglob("*")
            if each.suffix.lower() in suffixes
            and each.is_file()
            and not any(part.startswith(".") for part in each.relative_to(path).parts)
        )
        if not found:
            raise InputError(
                "holds no shot",
                path=path,
                hint="Shots are files that end with " + ", ".join(sorted(suffixes)),
            )
        files += found
    return files
