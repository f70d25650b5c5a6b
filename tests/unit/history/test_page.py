"""The page of a history, and the tables beside it."""

from __future__ import annotations

import csv
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest

from audit.errors import OutputError
from audit.history.page import FILES, Answers, answers_of, write_history
from audit.history.query import History
from audit.history.trends import Trend, trend_chart
from tests.unit.history.making import document, record

BAD = ("joint0", "twist", "fix", 20.0, 5.0)


@pytest.fixture
def answers(tmp_path: Path) -> Answers:
    pytest.importorskip("duckdb", reason="needs the extra 'history'")
    folder = tmp_path / "record"
    record(folder, "2024-01-01", document("good"), document("<b>bad", BAD))
    record(folder, "2024-01-08", document("good", BAD), document("<b>bad", BAD))
    with History(folder) as history:
        return answers_of(history)


class _Balanced(HTMLParser):
    """Notes which tags are open."""

    VOID = frozenset({"meta", "path", "circle", "rect", "link", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_page_and_tables(answers: Answers, tmp_path: Path) -> None:
    page = write_history(answers, tmp_path / "out")
    assert sorted(path.name for path in page.parent.iterdir()) == sorted(FILES)
    text = page.read_text(encoding="utf-8")
    parser = _Balanced()
    parser.feed(text)
    assert parser.open == []
    shown = " ".join(parser.texts)
    assert "1 finding is new or worse since 2024-01-08." in shown
    assert "<b>bad" in shown  # as text, not as a tag
    assert "<b>" not in text
    assert "0 of 2 shots passed on 2024-01-08." in shown
    assert text.count("<svg") == 1 + 3  # the patterns, and three pictures of the one rig
    assert "http" not in text.replace("http-equiv", "")
    with open(page.parent / "worse.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["news"], row["shot"], row["value"]) for row in rows] == [("new", "good", "20.0")]
    with open(page.parent / "never_passed.csv", encoding="utf-8", newline="") as file:
        assert [row["shot"] for row in csv.DictReader(file)] == ["<b>bad"]


def test_an_earlier_page_is_replaced_only_when_asked(answers: Answers, tmp_path: Path) -> None:
    write_history(answers, tmp_path)
    with pytest.raises(OutputError, match="exists already"):
        write_history(answers, tmp_path)
    write_history(answers, tmp_path, replace=True)


def test_the_same_record_gives_the_same_bytes(answers: Answers, tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_history(answers, tmp_path / name)
    for name in FILES:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_lines_are_told_apart_and_named_at_their_ends() -> None:
    days = [date(2024, 1, 1), date(2024, 1, 2), date(2024, 3, 1)]
    chart = trend_chart(
        "Keys", days, [Trend("now", [10.0, None, 30.0]), Trend("after", [5.0, 5.0, 5.0])]
    )
    assert 'aria-label="Keys. On the last day: now 30; after 5"' in chart
    assert 'class="key X"' in chart
    assert 'class="key Y"' in chart
    assert chart.count("<circle") == 5
    # A day's place is its date: the second lies close to the first.
    assert ">2024-01-01<" in chart
    assert ">2024-01-02<" not in chart
    assert ">2024-03-01<" in chart


@pytest.mark.parametrize("values", [[3.0], [None], [0.0]])
def test_one_day(values: list[float | None]) -> None:
    chart = trend_chart("Keys", [date(2024, 1, 1)], [Trend("now", values)])
    assert "nan" not in chart
    assert 'class="key X"' not in chart
