"""The short table for the terminal: plain text, aligned whatever the names are written in."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from audit.report.plans import in_short, is_flagged, plan_of, planned_stage
from audit.report.ranking import by_cost, headline, main_cause, planned_keys
from audit.report.words import TELLS_NOTHING_DEG, change, shown
from audit.results import Document, Row
from audit.wording import degrees, plural

MOST_ROWS = 40
"""A longer table scrolls its own head off the screen."""

SHORTEST_NAME = 8
"""Names are cut to fit the width, but never below this."""

GAP = "  "
HEADINGS = ("joint", "kind", "curves", "edit keys", "turn about limb", "interval", "main cause")
TO_THE_RIGHT = frozenset({"curves", "edit keys"})


def terminal_table(
    document: Document, *, joints: Sequence[int] | None = None, width: int = 100
) -> str:
    """Return the results of a shot as a short text table.

    Parameters
    ----------
    document
        Results of one shot.
    joints
        Places of the joints to show; all of them where None.
    width
        Columns of the terminal. Long names are cut so that a row fits.

    Returns
    -------
    str
        A headline, one row for each joint with something to mend or to look at, those first that save the
        most keys, and a line on what was left out. No line break at the end.
    """
    rows: list[Row] = document["joints"]
    chosen = range(len(rows)) if joints is None else sorted({int(joint) for joint in joints})
    flagged = by_cost(rows, [place for place in chosen if is_flagged(rows[place])])
    head = headline(document)
    lines = [f"{head.title} {head.detail}".strip()]
    if flagged:
        cells = [HEADINGS, *(_cells(rows[place]) for place in flagged[:MOST_ROWS])]
        lines += ["", *_aligned(cells, width)]
    lines += ["", _left_out(document, len(chosen), len(flagged))]
    return "\n".join(lines)


def _cells(row: Row) -> tuple[str, ...]:
    stage = planned_stage(row)
    plan = plan_of(row)
    return (
        row["joint"],
        row["kind"],
        change(row["moving_channels"], stage["moving_channels"] if stage else None),
        change(row["edit_keys"], planned_keys(row)),
        in_short(plan),
        _reach(row) if plan.turn_deg is not None else "–",
        main_cause(row) or "–",
    )


def _reach(row: Row) -> str:
    """Return how far the turn may be off to either side; an interval is as wide on both."""
    if row["twist_interval_deg"] is None:
        return "–"
    low, high = row["twist_interval_deg"]
    half = 0.5 * (high - low)
    return "within 0.1°" if half < TELLS_NOTHING_DEG else f"±{degrees(half)}"


def _aligned(cells: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return rows of cells as lines, every column as wide as its widest cell."""
    columns = [[shown(cell) for cell in column] for column in zip(*cells, strict=True)]
    widths = [max(display_width(cell) for cell in column) for column in columns]
    rest = sum(widths[1:]) + len(GAP) * (len(widths) - 1)
    widths[0] = min(widths[0], max(SHORTEST_NAME, width - rest))
    lines = []
    for row in zip(*columns, strict=True):
        filled = [
            padded(cut(cell, wide), wide, to_the_right=name in TO_THE_RIGHT)
            for cell, wide, name in zip(row, widths, HEADINGS, strict=True)
        ]
        lines.append(GAP.join(filled).rstrip())
    return lines


def display_width(text: str) -> int:
    """Return how many columns of a terminal a text takes: two for wide letters, none for combining marks."""
    return sum(
        0
        if unicodedata.combining(letter) or unicodedata.category(letter) in ("Mn", "Me", "Cf")
        else 2
        if unicodedata.east_asian_width(letter) in ("W", "F")
        else 1
        for letter in text
    )


def cut(text: str, width: int) -> str:
    """Return a text that fits a number of columns, with an ellipsis where it was cut."""
    if display_width(text) <= width:
        return text
    while text and display_width(text) > width - 1:
        text = text[:-1]
    return text + "…"


def padded(text: str, width: int, *, to_the_right: bool) -> str:
    """Return text filled up with spaces to a width."""
    space = " " * (width - display_width(text))
    return space + text if to_the_right else text + space


def _left_out(document: Document, shown_joints: int, flagged: int) -> str:
    """Return a sentence on the joints and findings that the table leaves out."""
    sentences = []
    if flagged > MOST_ROWS:
        sentences.append(f"{flagged - MOST_ROWS} more joints with something to turn.")
    fine = shown_joints - flagged
    if flagged and fine:
        sentences.append(f"Left out: {plural(fine, 'joint')} with nothing to turn.")
    elif not flagged:
        sentences.append(f"Nothing to turn on {plural(fine, 'joint')}.")
    hidden = len(document["joints"]) - shown_joints
    if hidden:
        sentences.append(f"Not asked for: {plural(hidden, 'joint')}.")
    summary = document["summary"]
    sentences.append(
        f"Findings in all: {summary['fix']} fix, {summary['look']} look, {summary['note']} note."
    )
    return " ".join(sentences)
