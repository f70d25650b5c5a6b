"""The command ``hinge-audit history``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.errors import UsageError

if TYPE_CHECKING:
    from audit.history.page import Answers
    from audit.history.query import Answer

TERMINAL_ROWS = 10


@click.command(
    epilog="""\b
Examples:
  hinge-audit history records
  hinge-audit history records --since 2025-03-01 --out reports/march --open
  hinge-audit history records --rig Pelvis-d55997d8 --joints 50
  hinge-audit history records --sql "select shot, sum(fix) from shots group by shot"
"""
)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--rig", metavar="NAME", help="Only this rig.")
@click.option(
    "--since",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Hold findings against those before this day (default: the day of the last run).",
)
@click.option(
    "--joints",
    "most",
    type=click.IntRange(min=1),
    default=100,
    show_default=True,
    help="How many of the worst joints to list.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write a page with trend pictures, and the tables as CSV, into this folder.",
)
@click.option(
    "--sql",
    metavar="QUESTION",
    help="Answer one select over the tables shots, joints and findings, as CSV on standard output.",
)
@click.option("--replace", is_flag=True, help="Replace an earlier page and its tables.")
@click.option("--open", "show", is_flag=True, help="Open the page in the web browser.")
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def history(
    folder: Path,
    rig: str | None,
    since: datetime | None,
    most: int,
    out: Path | None,
    sql: str | None,
    replace: bool,
    show: bool,
    quiet: bool,
) -> None:
    """Say from a record which joints are worst, what got worse, and which shots never passed.

    DIR is a folder that `hinge-audit check --record` has filled. A question of your own can read it and nothing
    else, and changes nothing.
    """
    from audit.history.page import answers_of, csv_text, write_history
    from audit.history.query import History

    if sql is not None and (out or rig or since or show):
        raise UsageError("--sql stands alone", hint="Leave --out, --rig, --since and --open out")
    if show and out is None:
        raise UsageError("--open needs a page", hint="Say with --out where to write it")
    with History(folder) as record:
        if sql is not None:
            click.echo(csv_text(record.ask(sql)), nl=False)
            return
        if rig is not None:
            _refuse_unknown(rig, record.rigs())
        day = since.date() if since else None
        answers = answers_of(record, rig=rig, since=day, most=most)
    if not quiet:
        _say(answers)
    if out is not None:
        page = write_history(answers, out, replace=replace)
        if not quiet:
            click.echo(f"Page: {page}")
        if show:
            click.launch(page.resolve().as_uri())


def _refuse_unknown(rig: str, rigs: list[str]) -> None:
    from difflib import get_close_matches

    if rig not in rigs:
        near = get_close_matches(rig, rigs, n=3, cutoff=0.3) or rigs[:3]
        raise UsageError(
            f"no rig is called {rig!r} in this record",
            hint=f"There are {', '.join(near)}" if near else "It has no shot that could be read",
        )


def _say(answers: Answers) -> None:
    day = answers.since.isoformat()
    _table(
        "Worst joints",
        answers.worst_joints,
        ("joint", "rig", "shots", "edit_keys", "keys_saved", "median_twist_offset_deg"),
    )
    _table(
        f"New or worse since {day}",
        answers.worse,
        ("news", "severity", "shot", "joint", "check_name", "value"),
    )
    _table(
        "Shots that never passed",
        answers.never_passed,
        ("show_name", "shot", "runs", "first_date", "last_date", "last_status", "last_fix"),
    )


def _table(title: str, answer: Answer, columns: tuple[str, ...]) -> None:
    """Print the first rows of a table."""
    from audit.report.words import shown

    click.echo(title)
    if not answer.rows:
        click.echo("  none\n")
        return
    rows = [
        ["–" if row[name] is None else shown(f"{row[name]}") for name in columns]
        for row in answer.dicts()[:TERMINAL_ROWS]
    ]
    heads = [name.removesuffix("_name").replace("_", " ") for name in columns]
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    for cells in (heads, *rows):
        line = "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        click.echo(f"  {line.rstrip()}")
    left = len(answer.rows) - len(rows)
    click.echo(f"  … and {left:,} more\n" if left > 0 else "")
