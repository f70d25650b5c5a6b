"""The page and the tables of a record: what it says, as files."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

import audit
from audit.errors import OutputError
from audit.files import draft_folder, put_in_place, write_drafts
from audit.history.query import Answer, History
from audit.history.trends import Trend, trend_chart
from audit.report.words import shown
from audit.wording import plural

PAGE = "history.html"
TABLES = ("worst_joints", "worse", "never_passed", "trend")
FILES = (PAGE, *(f"{name}.csv" for name in TABLES))

MOST_RIGS = 30
MOST_ROWS = 100
"""Of a table on the page; the CSV beside it has all rows."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What a record says.

    Attributes
    ----------
    since
        Day that findings are held against.
    worst_joints, worse, never_passed, trend
        See the methods of :class:`audit.history.query.History`.
    """

    since: date
    worst_joints: Answer
    worse: Answer
    never_passed: Answer
    trend: Answer


def answers_of(
    history: History, *, rig: str | None = None, since: date | None = None, most: int = MOST_ROWS
) -> Answers:
    """Ask a record all questions that the page answers.

    Parameters
    ----------
    history
        The record.
    rig
        One rig; all where None.
    since
        Day that findings are held against; that of the last run where None.
    most
        How many joints.
    """
    day = since or history.last_day()
    return Answers(
        day,
        history.worst_joints(rig=rig, most=most),
        history.worse_since(day, rig=rig),
        history.never_passed(rig=rig),
        history.trend(rig=rig),
    )


def write_history(answers: Answers, out: Path, *, replace: bool = False) -> Path:
    """Write the page and one CSV file a table.

    Parameters
    ----------
    answers
        What they show.
    out
        The folder; made where it does not exist.
    replace
        Whether earlier ones may be replaced.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OutputError
        Where they are there already and may not be replaced, or cannot be written; all files appear, or none.
    """
    taken = [out / name for name in FILES if (out / name).exists()]
    if taken and not replace:
        raise OutputError(
            "exists already",
            path=taken[0],
            hint="Add --replace to write it anew, or choose another folder with --out",
        )
    files = {PAGE: history_page(answers).encode("utf-8", "backslashreplace")}
    for name in TABLES:
        files[f"{name}.csv"] = csv_text(getattr(answers, name)).encode("utf-8", "backslashreplace")
    with draft_folder(out) as draft:
        write_drafts(files, draft)
        put_in_place(list(files), draft, out)
    return out / PAGE


def csv_text(answer: Answer) -> str:
    """Return a table as CSV: a line of names, then one a row; nothing where there is no value."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(answer.columns)
    writer.writerows(answer.rows)
    return text.getvalue()


@dataclass(frozen=True, slots=True)
class _Rig:
    """A rig on the page: its name, its last day in figures, and its pictures."""

    name: str
    last: dict[str, Any]
    charts: tuple[tuple[str, Markup], ...]


def history_page(answers: Answers) -> str:
    """Return the page as one HTML text that stands alone."""
    rigs = list(_rigs(answers.trend))
    return (
        _environment()
        .get_template(PAGE)
        .render(
            answers=answers,
            rigs=rigs[:MOST_RIGS],
            rig_count=len(rigs),
            worst=answers.worst_joints.dicts()[:MOST_ROWS],
            worse=answers.worse.dicts()[:MOST_ROWS],
            never=answers.never_passed.dicts()[:MOST_ROWS],
        )
    )


def _rigs(trend: Answer) -> Iterator[_Rig]:
    by_rig: dict[str, list[dict[str, Any]]] = {}
    for row in trend.dicts():
        by_rig.setdefault(row["rig"], []).append(row)
    for name, rows in sorted(by_rig.items(), key=lambda each: (-each[1][-1]["shots"], each[0])):
        days = [row["date"] for row in rows]

        def each_shot(column: str, rows: Sequence[dict[str, Any]] = rows) -> list[float | None]:
            return [None if row[column] is None else row[column] / row["shots"] for row in rows]

        passed = [100.0 * row["passed"] / row["shots"] for row in rows]
        keys = (
            Trend("now", each_shot("edit_keys_now")),
            Trend("after", each_shot("edit_keys_after")),
        )
        pictures = {
            "Shots that passed": trend_chart(
                f"Share of the shots of {name} that passed, day by day",
                days,
                [Trend("passed", passed)],
                high=100.0,
                written=_percent,
            ),
            "Findings to fix, a shot": trend_chart(
                f"Findings to fix in a shot of {name}, day by day",
                days,
                [Trend("fix", each_shot("fix")), Trend("look", each_shot("look"))],
            ),
            "Edit keys, a shot": trend_chart(
                f"Edit keys of a shot of {name}, as it is and after the offsets, day by day",
                days,
                keys,
            ),
        }
        charts = tuple((title, Markup(picture)) for title, picture in pictures.items())
        yield _Rig(name, rows[-1], charts)


def _percent(value: float) -> str:
    return f"{value:.0f} %"


@cache
def _environment() -> jinja2.Environment:
    loader = jinja2.ChoiceLoader(
        [jinja2.PackageLoader("audit.history"), jinja2.PackageLoader("audit.report")]
    )
    environment = jinja2.Environment(
        loader=loader,
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_made_plain,
    )
    environment.filters.update(
        plural=plural,
        thousands=lambda value: f"{value:,}",
        figure=lambda value, digits=1: "–" if value is None else f"{value:,.{digits}f}",
    )
    environment.globals.update(style=_style, version=audit.__version__)
    return environment


def _made_plain(value: Any) -> Any:
    """Spell out characters that cannot be seen, in every text that the template shows."""
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _style() -> Markup:
    environment = _environment()
    if environment.loader is None:
        raise TypeError("the templates have a loader")
    return Markup(environment.loader.get_source(environment, "style.css")[0])
