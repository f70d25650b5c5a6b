"""The short table of a comparison for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from audit.report import comparison_words as words
from audit.report.terminal import GAP, MOST_ROWS, SHORTEST_NAME, cut, display_width, padded
from audit.report.words import change, plain, shown
from audit.results import Document, Row
from audit.wording import plural

HEADINGS = ("joint", "verdict", "axes turned", "curves", "edit keys", "suggested offset", "also")
MOST_AT_REST = 12
"""So many new findings on the rest pose are told, and as many that are gone."""

TO_THE_RIGHT = frozenset({"curves", "edit keys"})


def comparison_table(document: Document, *, width: int = 100) -> str:
    """Return a comparison as a short text table.

    Parameters
    ----------
    document
        The comparison.
    width
        Columns of the terminal. Long names are cut so that a row fits.

    Returns
    -------
    str
        Whether the motion is the same, what has to be known beside it, and one row for each joint that
        changed, those first that got messier. No line break at the end.
    """
    rows = document["joints"]
    changed = words.by_change(rows)
    lines = [shown(plain(words.title(document))), words.detail(document)]
    far = words.deviation(document)
    if far:
        lines.append(f"{far[0].upper()}{far[1:]}.")
    lines += words.notes(document)
    lines += _lists(document)
    if changed:
        cells = [HEADINGS, *(_cells(rows[place]) for place in changed[:MOST_ROWS])]
        lines += ["", *_aligned(cells, width)]
    lines += ["", _left_out(len(rows), len(changed)), *_at_rest(document)]
    return "\n".join(lines)


def _cells(row: Row) -> tuple[str, ...]:
    before, after = row["before"], row["after"]
    also = [each for each in row["changed"] if each not in ("axes", "curves")]
    return (
        words.name(row),
        row["verdict"],
        words.axes_in_short(row),
        change(before["moving_channels"], after["moving_channels"]),
        change(before["edit_keys"], after["edit_keys"]),
        words.offsets(row),
        ", ".join(also) or "–",
    )


def _at_rest(document: Document) -> list[str]:
    """Return which findings on the rest pose are new and which are gone, one line each."""
    rest = document["rest"]
    lines = [f"Rest pose: {words.at_rest(document)}"]
    for word in ("new", "gone"):
        lines += [
            f"  {word:<4}  {each['severity']:<4}  {shown(each['message'])}"
            for each in rest[word][:MOST_AT_REST]
        ]
        if len(rest[word]) > MOST_AT_REST:
            lines.append(f"  and {len(rest[word]) - MOST_AT_REST:,} more that are {word}.")
    return lines


def _lists(document: Document) -> list[str]:
    lines = []
    renamed = [f"{each['joint']} → {each['joint_after']}" for each in document["renamed"]]
    for title, names in (
        ("Renamed", renamed),
        ("Lost", document["lost"]),
        ("Added", document["added"]),
    ):
        if names:
            rest = f" and {len(names) - 12} more" if len(names) > 12 else ""
            lines.append(f"{title}: {', '.join(map(shown, names[:12]))}{rest}.")
    return lines


def _aligned(cells: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return rows of cells as lines, every column as wide as its widest cell, the first one cut to fit."""
    columns = [[shown(cell) for cell in column] for column in zip(*cells, strict=True)]
    widths = [max(display_width(cell) for cell in column) for column in columns]
    rest = sum(widths[1:]) + len(GAP) * (len(widths) - 1)
    widths[0] = min(widths[0], max(SHORTEST_NAME, width - rest))
    return [
        GAP.join(
            padded(cut(cell, wide), wide, to_the_right=heading in TO_THE_RIGHT)
            for cell, wide, heading in zip(row, widths, HEADINGS, strict=True)
        ).rstrip()
        for row in zip(*columns, strict=True)
    ]


def _left_out(matched: int, changed: int) -> str:
    sentences = []
    if changed > MOST_ROWS:
        sentences.append(f"{plural(changed - MOST_ROWS, 'more joint')} that changed.")
    as_before = matched - changed
    if changed and as_before:
        sentences.append(f"Left out: {plural(as_before, 'joint')} with no change.")
    elif not changed:
        sentences.append(f"No change on {plural(as_before, 'joint')}.")
    return " ".join(sentences)
