"""What is new or worse since an earlier run: findings of now held against findings of then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from audit.gate import News
from audit.plugins import SEVERITIES

Row = Mapping[str, Any]

MARGIN_SHARE = 0.05
"""A figure is worse where it is further beyond its limit by more than this share of what it was (our choice):
shots that are exported again differ in the last digits, and nobody acts on a degree in thirty."""


def against_baseline(
    now: Iterable[Row], then: Iterable[Row], *, margin_share: float = MARGIN_SHARE
) -> list[tuple[Row, News]]:
    """Say of each finding whether it is new, worse than it was, or known.

    Parameters
    ----------
    now, then
        Findings: rows with ``shot``, ``joint`` (None for the shot as a whole), ``check_name``, ``severity``,
        ``value`` and ``limit_value``. They are the same finding where shot, joint and check are. Several of
        them are matched in the order of how bad they are.
    margin_share
        How much further beyond its limit a figure may be, as a share of what it was, and still be as it was.

    Returns
    -------
    list of (row, news)
        The findings of now, in their order. One is ``worse`` where its severity rose, or its figure went
        further beyond the limit of now by more than the margin.
    """
    known: dict[tuple[Any, ...], list[Row]] = defaultdict(list)
    for row in then:
        known[_key(row)].append(row)
    groups: dict[tuple[Any, ...], list[tuple[int, Row]]] = defaultdict(list)
    rows = list(now)
    for place, row in enumerate(rows):
        groups[_key(row)].append((place, row))
    news: list[News] = ["new"] * len(rows)
    for key, group in groups.items():
        group.sort(key=lambda each: _badness(each[1]), reverse=True)
        before = sorted(known.get(key, []), key=_badness, reverse=True)
        for (place, row), was in zip(group, before, strict=False):
            news[place] = "worse" if _is_worse(row, was, margin_share) else "known"
    return list(zip(rows, news, strict=True))


def load_findings(path: str | Path) -> list[dict[str, Any]]:
    """Read the findings of an earlier run.

    Parameters
    ----------
    path
        A Parquet file with the columns of the record's findings, or a record: then the findings of the last run
        of each shot are taken. Those that were waived are left out: nobody is to have them for known when the
        waiver has ended.

    Raises
    ------
    InputError
        Where it cannot be read, or has no such columns.
    """
    from audit.history.reading import file_rows  # noqa: PLC0415 (costs a tenth of a second)

    path = Path(path)
    columns = ["shot", "joint", "check_name", "severity", "value", "limit_value"]
    if path.is_dir():
        from audit.history.query import History  # noqa: PLC0415 (needs an extra)

        with History(path) as history:
            return history.findings_at(None)
    found = file_rows(path, "findings", columns, ["show_name", "waived"])
    return [row for row in found if not row.pop("waived", False)]


def _key(row: Row) -> tuple[Any, ...]:
    return (row["shot"], row["joint"], row["check_name"])


def _badness(row: Row) -> tuple[int, float]:
    value, limit = row["value"], row["limit_value"]
    beyond = 0.0 if value is None or limit is None else abs(value - limit)
    return (-SEVERITIES.index(row["severity"]), beyond)


def _is_worse(now: Row, then: Row, margin_share: float) -> bool:
    if SEVERITIES.index(now["severity"]) != SEVERITIES.index(then["severity"]):
        return SEVERITIES.index(now["severity"]) < SEVERITIES.index(then["severity"])
    value, was, limit = now["value"], then["value"], now["limit_value"]
    if value is None or was is None:
        return False
    # Some figures are bad above their limit and some below it; the finding itself shows which.
    side = -1.0 if limit is not None and value < limit else 1.0
    return bool(side * (value - was) > margin_share * abs(was))
