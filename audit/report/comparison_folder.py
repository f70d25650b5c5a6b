"""The folder of a comparison: page and figures, whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from audit.compare import Comparison
from audit.report.earlier import holds_only, refuse_what_is_there
from audit.report.folder import GENERATOR, INDEX, made_whole, replace_own, write_text
from audit.results import Document, json_text

COMPARISON_PAGE, COMPARISON = "comparison.html", "comparison.json"


def write_comparison(comparison: Comparison, out: Path, *, replace: bool = False) -> Path:
    """Write a comparison as one folder: the page and all figures.

    Parameters
    ----------
    comparison
        The comparison.
    out
        The folder to make. Folders above it are made where they do not exist.
    replace
        Allow ``out`` to exist, if it is empty or holds an earlier comparison.

    Returns
    -------
    Path
        The page, ``out/comparison.html``.

    Raises
    ------
    OutputError
        Where ``out`` exists and may not be replaced, or cannot be written. Nothing is left under its name
        then that was not there before.
    """
    # The templates take long to load, and are not needed before something is written.
    from audit.report.comparison_page import comparison_page  # noqa: PLC0415
    from audit.report.comparison_view import comparison_view  # noqa: PLC0415

    out = Path(out)
    refuse_taken(out, replace=replace)
    with made_whole(out) as folder:
        write_text(folder / COMPARISON, json_text(comparison.document))
        write_text(folder / COMPARISON_PAGE, comparison_page(comparison_view(comparison)))
    return out / COMPARISON_PAGE


def write_comparison_index(
    entries: Sequence[tuple[str, Document]],
    out: Path,
    *,
    lost: Sequence[str] = (),
    added: Sequence[str] = (),
) -> Path:
    """Write the page that lists several comparisons, beside their folders.

    Parameters
    ----------
    entries
        Name of each comparison's folder inside ``out``, and the comparison.
    out
        The folder that holds them; an earlier page of this kind is replaced.
    lost, added
        Files or shots that only stand on one side.

    Returns
    -------
    Path
        The page, ``out/index.html``.

    Raises
    ------
    OutputError
        Where it cannot be written, or another page has that name.
    """
    from audit.report.comparison_page import comparison_index  # noqa: PLC0415

    path = Path(out) / INDEX
    text = comparison_index(entries, lost, added)
    replace_own(path, text, GENERATOR, "is a page of something else")
    return path


def refuse_taken(out: Path, *, replace: bool) -> None:
    """Refuse a path that exists, unless it is an earlier comparison, or an empty folder, and may be replaced.

    Raises
    ------
    OutputError
        Where it does.
    """
    names = {COMPARISON_PAGE, COMPARISON}
    refuse_what_is_there(
        out,
        "comparison",
        replace=replace,
        is_own=lambda folder: holds_only(folder, names, COMPARISON),
    )
