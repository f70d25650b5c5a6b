"""CSV: one row a finding, for spreadsheets and scripts."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from audit.gate.judged import JudgedFile, Run
from audit.gate.output import OutputFormat, Sink, waived_because

COLUMNS = (
    "file",
    "shot",
    "line",
    "joint",
    "check",
    "severity",
    "fails",
    "message",
    "value",
    "limit",
    "waived_because",
    "since_baseline",
)
"""``file`` and ``line`` of what is said of a waiver are those of the policy."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
"""A spreadsheet would take a text that begins so for a formula: an apostrophe goes before it."""

Cell = str | int | float | None


class _Csv:
    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._write([COLUMNS])

    def file(self, judged: JudgedFile) -> None:
        """Write one row a finding."""
        rows: list[Sequence[Cell]] = []
        failure = judged.verdict.failure
        if failure is not None:
            path, message = judged.verdict.path, failure.message
            rows.append((path, "", "", "", failure.kind, "fix", "yes", message, "", "", "", ""))
        for shot in judged.shots:
            for each in shot.findings:
                row = each.row
                rows.append(
                    (
                        shot.verdict.file,
                        shot.verdict.shot,
                        "",
                        row.joint,
                        row.check,
                        row.severity,
                        "yes" if each.fails else "no",
                        row.message,
                        row.value,
                        row.limit,
                        waived_because(each),
                        each.news,
                    )
                )
        self._write(rows)

    def end(self, run: Run) -> None:
        """Write what is to be said of waivers."""
        rows: list[Sequence[Cell]] = []
        for each in run.waivers:
            fails = "yes" if each.fails else "no"
            about = (each.policy, "", each.line, "", each.check)
            rows.append((*about, each.severity, fails, each.message, "", "", "", ""))
        self._write(rows)

    def _write(self, rows: Sequence[Sequence[Cell]]) -> None:
        text = io.StringIO(newline="")
        csv.writer(text, lineterminator="\n").writerows(
            [_plain(cell) for cell in row] for row in rows
        )
        self._sink.write(text.getvalue().encode("utf-8", "backslashreplace"))


def _plain(cell: Cell) -> Cell:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


OUTPUT = OutputFormat(
    name="csv",
    title="one row a finding, for spreadsheets and scripts",
    file="check.csv",
    writer=_Csv,
)
