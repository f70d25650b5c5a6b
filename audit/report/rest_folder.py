"""The folder of a rig at rest: page and figures, whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from audit.report.earlier import holds_only, refuse_what_is_there
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
    refuse_what_is_there(out, "page of a rest pose", replace=replace, is_own=_is_own)


def _is_own(folder: Path) -> bool:
    """Tell whether a folder holds an earlier page of a rest pose and nothing else."""
    page = (folder / REST_PAGE).read_text(encoding="utf-8", errors="replace")
    return GENERATOR in page and holds_only(folder, {REST_PAGE, REST}, REST)
