"""Whether what is there already is our own, and may be written anew."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from audit.errors import OutputError


def refuse_what_is_there(
    out: Path, what: str, *, replace: bool, is_own: Callable[[Path], bool]
) -> None:
    """Refuse a path that exists, unless it is an earlier folder of ours, or an empty one, and may be replaced.

    Parameters
    ----------
    out
        The folder to be made.
    what
        What an earlier one is called: "report".
    replace
        Whether the user allows to replace one.
    is_own
        Tells whether a folder that is not empty holds nothing but such a one.

    Raises
    ------
    OutputError
        Where it does.
    """
    if not os.path.lexists(out):
        return
    if not replace:
        raise OutputError(
            "exists already",
            path=out,
            hint="Add --replace to write it anew, or choose another folder with --out",
        )
    if out.is_symlink() or not out.is_dir() or not _is_empty_or(out, is_own):
        raise OutputError(
            f"is something else than an earlier {what}, so it is not replaced",
            path=out,
            hint="Choose another folder with --out",
        )


def _is_empty_or(folder: Path, is_own: Callable[[Path], bool]) -> bool:
    try:
        return not any(folder.iterdir()) or is_own(folder)
    except (OSError, ValueError):
        return False


def holds_only(folder: Path, names: set[str], document: str) -> bool:
    """Tell whether a folder holds nothing but some files, and a document that this program wrote.

    Raises OSError or ValueError where they cannot be read.
    """
    if not {entry.name for entry in folder.iterdir()} <= names:
        return False
    return is_our_document(json.loads((folder / document).read_text(encoding="utf-8")))


def is_our_document(document: Any) -> bool:
    """Tell whether a JSON document says that this program wrote it."""
    tool = document.get("tool") if isinstance(document, dict) else None
    return isinstance(tool, dict) and tool.get("name") == "hinge-audit"
