"""The folder of a rig at rest: page and figures, whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path

from audit.errors import OutputError
from audit.report.folder import GENERATOR, made_whole, replace_own, write_text
from audit.resting import RestExamination
from audit.results import Document, json_text

REST_PAGE, REST = "rest.html", "rest.json"
MARK = "<strong>hinge-audit</strong> <span>rest poses</span>"
"""Stands at the head of the list of rigs, and on no other page."""


def write_rest(examined: RestExamination, out: Path, *, replace: bool = False) -> Path:
    """Write a rig's rest pose as one folder: the page and all figures.

    Parameters
    ----------
    examined
        The rig.
    out
        The folder to make. Folders above it are made where they do not exist.
    replace
        Allow ``out`` to exist, if it is empty or holds an earlier page of a rest pose.

    Returns
    -------
    Path
        The page, ``out/rest.html``.

    Raises
    ------
    OutputError
        Where ``out`` exists and may not be replaced, or cannot be written. Nothing is left under its name
        then that was not there before.
    """
    # The templates take long to load, and are not needed before something is written.
    from audit.report.rest_page import rest_page, rest_view  # noqa: PLC0415

    out = Path(out)
    refuse_taken(out, replace=replace)
    with made_whole(out) as folder:
        write_text(folder / REST, json_text(examined.document))
        write_text(folder / REST_PAGE, rest_page(rest_view(examined)))
    return out / REST_PAGE


def write_rest_index(entries: Sequence[tuple[str, str, Document]], out: Path) -> Path:
    """Write the page that lists several rigs, beside their folders.

    Parameters
    ----------
    entries
        What each rig is called, its folder inside ``out``, and its document.
    out
        The folder that holds them; an earlier list is replaced.

    Returns
    -------
    Path
        The page, ``out/rest.html``.

    Raises
    ------
    OutputError
        Where it cannot be written, or another page has that name.
    """
    from audit.report.rest_page import rest_index  # noqa: PLC0415

    path = Path(out) / REST_PAGE
    replace_own(path, rest_index(entries), MARK, "is a page of something else")
    return path


def refuse_taken(out: Path, *, replace: bool) -> None:
    """Refuse a path that exists, unless it is an earlier page of a rest pose and may be replaced.

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
    if out.is_symlink() or not out.is_dir() or not _may_be_replaced(out):
        raise OutputError(
            "is something else than an earlier page of a rest pose, so it is not replaced",
            path=out,
            hint="Choose another folder with --out",
        )


def _may_be_replaced(folder: Path) -> bool:
    """Tell whether a folder is empty or holds an earlier page of a rest pose and nothing else."""
    try:
        names = {entry.name for entry in folder.iterdir()}
        if not names:
            return True
        if not names <= {REST_PAGE, REST}:
            return False
        page = (folder / REST_PAGE).read_text(encoding="utf-8", errors="replace")
        document = json.loads((folder / REST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    tool = document.get("tool") if isinstance(document, dict) else None
    return GENERATOR in page and isinstance(tool, dict) and tool.get("name") == "hinge-audit"
