"""Files that appear whole or not at all, and never in place of what somebody else put there."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from audit.errors import OutputError


@contextmanager
def draft_folder(beside: Path) -> Iterator[Path]:
    """Give an empty folder inside another one, for files that are not to be seen yet; it is gone afterwards.

    Parameters
    ----------
    beside
        The folder that the files will be moved to; it is made where it does not exist.

    Raises
    ------
    OutputError
        Where it cannot be made.
    """
    draft = beside / f".{secrets.token_hex(4)}.part"
    made = [folder for folder in (beside, *beside.parents) if not folder.exists()]
    try:
        draft.mkdir(parents=True)
    except OSError as error:
        raise not_written(draft.parent, error) from error
    try:
        yield draft
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        for folder in made:
            # Folders that were made for nothing go again; one with files in it stays.
            with suppress(OSError):
                folder.rmdir()


def write_drafts(files: Mapping[str, bytes], draft: Path) -> None:
    """Write files by name into a draft folder; OutputError where that fails."""
    try:
        for name, data in files.items():
            (draft / name).write_bytes(data)
    except OSError as error:
        raise not_written(draft.parent / next(iter(files)), error) from error


def refuse_taken(targets: Iterable[Path], inputs: Sequence[Path], *, replace: bool) -> None:
    """Raise OutputError where a file that is to be written is an input, or is there and may not be replaced."""
    for target in targets:
        if not os.path.lexists(target):
            continue
        if any(_same(target, each) for each in inputs):
            raise OutputError(
                "is an input of this run, and inputs are never written over",
                path=target,
                hint="Choose another folder with --out",
            )
        if not replace:
            raise OutputError(
                "exists already",
                path=target,
                hint="Add --replace to write it anew, or choose another folder with --out",
            )
        if target.is_dir():
            raise OutputError("is a folder", path=target, hint="Choose another folder with --out")


def put_in_place(names: Sequence[str], draft: Path, folder: Path) -> None:
    """Move finished files to where they belong: all of them, or none.

    Each takes its name in one step. Where one of several cannot, those before it go back to what they were.

    Raises
    ------
    OutputError
        Where one cannot be moved.
    """
    done: list[tuple[Path, Path | None]] = []
    try:
        for name in names:
            target, aside = folder / name, draft / f"{name}.old"
            # A single file takes the place of an earlier one without a moment between them.
            held = len(names) > 1 and os.path.lexists(target)
            if held:
                target.replace(aside)
            done.append((target, aside if held else None))
            (draft / name).replace(target)
    except OSError as error:
        for target, before in reversed(done):
            with suppress(OSError):
                if before is not None:
                    before.replace(target)
                elif len(names) > 1:
                    target.unlink()
        raise not_written(folder, error) from error


def write_whole(path: Path, data: bytes) -> None:
    """Write one file in one step, in place of an earlier one; OutputError where that fails."""
    draft = path.with_name(f".{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_bytes(data)
        draft.replace(path)
    except OSError as error:
        raise not_written(path, error) from error
    finally:
        with suppress(OSError):
            draft.unlink()


def not_written(path: Path, error: OSError) -> OutputError:
    """Return the error for what cannot be written."""
    return OutputError(
        f"cannot be written ({error.strerror or error})",
        path=path,
        hint="Choose a folder that you may write to with --out",
    )


def _same(one: Path, two: Path) -> bool:
    with suppress(OSError):
        return one.samefile(two)
    return False
