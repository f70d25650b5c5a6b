"""The table for the terminal."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from audit.model import Shot
from audit.pipeline import Examination, examine
from audit.report import terminal_table
from audit.report.ranking import headline
from audit.report.terminal import HEADINGS, display_width


def body(text: str) -> list[str]:
    return text.split("\n\n")[1].splitlines()


def columns(line: str) -> list[int]:
    """Return the columns of the terminal at which the cells of a heading line start."""
    return [display_width(line[: line.index(heading)]) for heading in HEADINGS]


def cell(line: str, start: int, end: int | None) -> str:
    """Return what stands between two columns of the terminal."""
    place, kept = 0, ""
    for letter in line:
        if place >= start and (end is None or place < end):
            kept += letter
        place += display_width(letter)
    return kept.strip()


def test_it_says_what_to_turn_and_by_how_much(examined: Examination) -> None:
    text = terminal_table(examined.document)
    head = headline(examined.document)
    assert text.splitlines()[0] == f"{head.title} {head.detail}"
    knee = next(line for line in body(text) if line.startswith("L_Knee"))
    row = examined.document["joints"][1]
    assert "3 → 1" in knee
    assert f"{row['edit_keys']} → {row['after_twist']['edit_keys']}" in knee
    assert "+36.9°" in knee
    assert knee.endswith("twist")
    assert "order ZYX" in text
    assert "Left out: 4 joints with nothing to turn." in text
    summary = examined.document["summary"]
    assert f"{summary['fix']} fix, {summary['look']} look, {summary['note']} note" in text


def test_joints_come_by_keys_saved(examined: Examination) -> None:
    names = [line.split()[0] for line in body(terminal_table(examined.document))[1:]]
    assert names == ["R_Elbow", "L_Knee", "L_Elbow", "L_Toe", "R_Toe"]


def test_columns_line_up_whatever_the_names_are(make_shot: Callable[..., Shot]) -> None:
    names = ["膝_左", "R", "e\u0301toile e\u0301", "ﾊﾝｶｸ全角", "\u202edrawkcab", "l" * 60]
    text = terminal_table(examine(make_shot(names)).document)
    lines = body(text)
    starts = columns(lines[0])
    kinds = {cell(line, starts[1], starts[2]).split()[0] for line in lines[1:]}
    causes = {cell(line, starts[6], None) for line in lines[1:]}
    assert kinds == {"hinge"}
    assert causes <= {"twist", "aim", "order", "own"}
    assert all(display_width(line) <= 100 for line in lines)
    assert "\u202e" not in text


@pytest.mark.parametrize("width", [20, 60, 80, 100, 300])
def test_long_names_are_cut_to_the_width(make_shot: Callable[..., Shot], width: int) -> None:
    document = examine(make_shot(["n" * 250])).document
    lines = body(terminal_table(document, width=width))
    narrowest = max(display_width(line) for line in body(terminal_table(document, width=1)))
    assert all(display_width(line) <= max(width, narrowest) for line in lines)
    assert (
        len({line.index(" hinge") for line in lines[1:] if "…" in line or "n" * 250 in line}) <= 1
    )


def test_limited_to_some_joints(examined: Examination) -> None:
    text = terminal_table(examined.document, joints=[1, 2])
    assert len(body(text)) == 2
    assert "Left out: 1 joint with nothing to turn. Not asked for: 7 joints." in text


def test_nothing_to_turn(clean: Examination) -> None:
    text = terminal_table(clean.document)
    assert text.startswith("The one hinge of this shot stays on one curve.")
    assert "Nothing to turn on 2 joints." in text
    assert "main cause" not in text


def test_display_width() -> None:
    assert display_width("abc") == 3
    assert display_width("膝") == 2
    assert display_width("ｱ") == 1
    assert display_width("e\u0301") == 1
    assert display_width("") == 0
