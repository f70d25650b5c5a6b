"""The folder of a report: made whole under another name first, never over what is somebody else's."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import secrets
import shutil
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from audit.errors import OutputError
from audit.pipeline import Examination
from audit.report.earlier import holds_only, refuse_what_is_there
from audit.report.live.script import MARK, SHARED, script
from audit.report.views import ShotView, shot_view, shown_places
from audit.results import Document, Row, flat_row, json_text
from audit.sheet import Sheet

Progress = Callable[[str], object]

PAGE, RESULTS, TABLE, PICTURES, INDEX = (
    "report.html",
    "results.json",
    "joints.csv",
    "pictures",
    "index.html",
)
GENERATOR = '<meta name="generator" content="hinge-audit'

LONGEST_NAME = 80
RESERVED_NAMES = frozenset(
    [
        "con",
        "prn",
        "aux",
        "nul",
        *(f"{port}{number}" for port in ("com", "lpt") for number in range(10)),
    ]
)
"""Names that some file systems keep for devices, whatever the suffix."""


def write_report(
    examined: Examination,
    out: Path,
    *,
    joints: Sequence[int] | None = None,
    replace: bool = False,
    progress: Progress | None = None,
    shared_script: bool = False,
    offsets: Sheet | None = None,
) -> Path:
    """Write the report of a shot as one folder: page, results, table and pictures.

    Parameters
    ----------
    examined
        The shot, its measures and findings.
    out
        The folder to make. Folders above it are made where they do not exist.
    joints
        Places of the joints that page, table and pictures are limited to; the results stay whole.
    replace
        Allow ``out`` to exist, if it is empty or holds an earlier report.
    progress
        Called with the name of each file once it is written.
    shared_script
        Let the page use the script that :func:`write_index` writes beside ``out`` when it is told the same, so
        that many pages need it only once. Without it the page is one file that can be sent alone.
    offsets
        The offsets sheet that people can copy from the page, such as one that all shots of the rig suggest
        together. What this shot suggests alone where None.

    Returns
    -------
    Path
        The page, ``out/report.html``.

    Raises
    ------
    OutputError
        Where ``out`` exists and may not be replaced, or cannot be written. Nothing is left under its name
        then that was not there before.
    UsageError
        Where a place is not one of the skeleton's.
    """
    out = Path(out)
    refuse_what_is_there(out, "report", replace=replace, is_own=_is_own)
    view = shot_view(examined, joints)
    places = shown_places(len(examined.document["joints"]), joints)
    with made_whole(out) as folder:
        _fill(folder, view, places, progress or (lambda name: None), shared_script, offsets)
    return out / PAGE


def write_index(
    entries: Sequence[tuple[str, Document]], out: Path, *, shared_script: bool = False
) -> Path:
    """Write the page that lists several shots, beside their folders.

    Parameters
    ----------
    entries
        Name of each shot's folder inside ``out``, and its results.
    out
        The folder that holds them; an earlier page of this kind is replaced.
    shared_script
        Write the script that the pages of the shots share beside the index.

    Returns
    -------
    Path
        The page, ``out/index.html``.

    Raises
    ------
    OutputError
        Where it cannot be written, or another page has that name.
    """
    from audit.report.page import index_page  # noqa: PLC0415 (the templates cost a tenth of a second)

    path = Path(out) / INDEX
    replace_own(path, index_page(entries), GENERATOR, "is a page of something else")
    if shared_script:
        beside = path.with_name(SHARED)
        replace_own(beside, script(), MARK, "is a script of something else")
    return path


def replace_own(path: Path, text: str, mark: str, refusal: str) -> None:
    """Write a text whole or not at all, over an earlier one that bears the mark, and over nothing else."""
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and mark not in path.read_text(encoding="utf-8", errors="replace"):
            raise OutputError(refusal, path=path, hint="Choose another folder with --out")
        write_text(draft, text)
        draft.replace(path)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        with suppress(OSError):
            draft.unlink()


def folder_name(label: str) -> str:
    """Return a name for a file or folder that every file system takes.

    Parameters
    ----------
    label
        What a shot or a joint is called; any text.

    Returns
    -------
    str
        Letters, digits, ``-``, ``_`` and ``.`` of plain ASCII, at most 80. The same label always gives the same
        name. Names of different labels may be equal, also where only upper and lower case differ: the
        caller keeps them apart.
    """
    base = unicodedata.normalize("NFKD", label)
    plain = re.sub(
        r"[^A-Za-z0-9_.-]+", "-", "".join(c for c in base if not unicodedata.combining(c))
    )
    plain = plain.strip("-.")
    whole = plain[:LONGEST_NAME].rstrip("-.")
    lost = any(letter.isalnum() and not letter.isascii() for letter in base)
    if whole.split(".")[0].lower() in RESERVED_NAMES or not whole or lost or whole != plain:
        # What was lost comes back as a few digits, so that two such labels do not share a name.
        digits = hashlib.sha256(label.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        stem = whole[: LONGEST_NAME - 9].rstrip("-.").replace(".", "-")
        return f"{stem}-{digits}" if stem else f"name-{digits}"
    return whole


def joints_csv(rows: Sequence[Row], places: Iterable[int]) -> str:
    """Return joint rows as CSV text, one row a joint; numbers as they stand in ``results.json``.

    Parameters
    ----------
    rows
        Joint rows of the results.
    places
        Places of the joints to write.
    """
    text = io.StringIO()
    columns = list(flat_row(rows[0])) if rows else ["joint"]
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(flat_row(rows[place]) for place in places)
    return text.getvalue()


def _fill(
    folder: Path,
    view: ShotView,
    places: Sequence[int],
    progress: Progress,
    shared_script: bool,
    offsets: Sheet | None,
) -> None:
    """Write all files of a report into a folder that exists."""
    # Both libraries take long to load, and neither is needed before a report is written.
    from audit.report import pictures  # noqa: PLC0415
    from audit.report.page import shot_page  # noqa: PLC0415

    rows = view.document["joints"]
    write_text(folder / RESULTS, json_text(view.document))
    progress(RESULTS)
    write_text(folder / TABLE, joints_csv(rows, places))
    progress(TABLE)
    page = shot_page(view, live=True, shared_script=shared_script, offsets=offsets)
    write_text(folder / PAGE, page)
    progress(PAGE)
    (folder / PICTURES).mkdir()
    pictures.overview(view, folder / PICTURES / "overview.png")
    progress(f"{PICTURES}/overview.png")
    taken = {"overview"}
    for card in view.cards[: pictures.MOST_PICTURES]:
        name = _free_name(folder_name(card.line.row["joint"]), taken)
        pictures.joint_picture(view, card, folder / PICTURES / f"{name}.png")
        progress(f"{PICTURES}/{name}.png")


def _free_name(name: str, taken: set[str]) -> str:
    """Return a name that is not taken, also where upper and lower case count as the same."""
    free, number = name, 2
    while free.lower() in taken:
        free, number = f"{name}-{number}", number + 1
    taken.add(free.lower())
    return free


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8, whatever it holds."""
    # Half a surrogate pair, from a file name that is not UTF-8, becomes an escape that JSON reads back.
    path.write_bytes(text.encode("utf-8", errors="backslashreplace"))


def _is_own(folder: Path) -> bool:
    """Tell whether a folder holds an earlier report, and nothing that somebody else put there."""
    pictures = folder / PICTURES
    if pictures.is_dir() and any(each.suffix != ".png" for each in pictures.iterdir()):
        return False
    return holds_only(folder, {PAGE, RESULTS, TABLE, PICTURES}, RESULTS)


@contextmanager
def made_whole(out: Path) -> Iterator[Path]:
    """Give a folder to fill beside the final one, and put it in its place once it is whole."""
    token = secrets.token_hex(4)
    draft, aside = out.parent / f".report-{token}.part", out.parent / f".report-{token}.old"
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        draft.mkdir()
        yield draft
        if os.path.lexists(out):
            out.rename(aside)
        try:
            draft.rename(out)
        finally:
            if aside.exists() and not os.path.lexists(out):
                aside.rename(out)
    except OSError as error:
        raise cannot_write(out, error) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        shutil.rmtree(aside, ignore_errors=True)


def cannot_write(path: Path, error: OSError) -> OutputError:
    """Return the error for a folder or file that cannot be written."""
    return OutputError(
        f"cannot be written ({error.strerror or error})",
        path=path,
        hint="Choose a folder that you may write to with --out",
    )
