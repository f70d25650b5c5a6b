"""What is new or worse, by severity and by how far beyond the limit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.errors import InputError
from audit.history import against_baseline, load_findings
from tests.unit.history.making import document, record

Row = dict[str, Any]


def row(
    severity: str = "fix",
    value: float | None = 30.0,
    limit: float | None = 5.0,
    shot: str = "a",
    joint: str | None = "Knee",
    check: str = "twist",
) -> Row:
    return {
        "shot": shot,
        "joint": joint,
        "check_name": check,
        "severity": severity,
        "value": value,
        "limit_value": limit,
    }


@pytest.mark.parametrize(
    ("now", "then", "news"),
    [
        (row(), row(), "known"),
        (row(), row("look"), "worse"),
        (row("look"), row(), "known"),
        (row("look", value=90.0), row(), "known"),  # milder, so not worse
        (row(value=31.4), row(), "known"),
        (row(value=31.6), row(), "worse"),
        (row(value=20.0), row(), "known"),
        # Below its limit is bad here: a margin that shrinks.
        (row(value=2.0, limit=10.0), row(value=4.0, limit=10.0), "worse"),
        (row(value=4.0, limit=10.0), row(value=2.0, limit=10.0), "known"),
        (row(value=None), row(value=None), "known"),
        (row(value=40.0, limit=None), row(limit=None), "worse"),
        (row(), row(shot="b"), "new"),
        (row(), row(joint="Elbow"), "new"),
        (row(), row(joint=None), "new"),
        (row(joint=None), row(joint=None), "known"),
        (row(), row(check="spread"), "new"),
    ],
)
def test_one_against_one(now: Row, then: Row, news: str) -> None:
    assert against_baseline([now], [then]) == [(now, news)]


def test_several_of_a_kind_are_matched_in_the_order_of_how_bad_they_are() -> None:
    then = [row(value=10.0), row(value=50.0)]
    now = [row(value=10.2), row(value=8.0), row(value=50.1)]
    assert [news for _, news in against_baseline(now, then)] == ["known", "new", "known"]


def test_the_margin_is_the_callers() -> None:
    assert against_baseline([row(value=31.0)], [row()], margin_share=0.0)[0][1] == "worse"
    assert against_baseline([row(value=59.0)], [row()], margin_share=1.0)[0][1] == "known"


def test_nothing_against_nothing() -> None:
    assert against_baseline([], [row()]) == []
    assert against_baseline([row()], []) == [(row(), "new")]


def test_findings_from_a_file_and_from_a_record(tmp_path: Path) -> None:
    record(tmp_path, "2024-01-01", document("one", ("joint0", "twist", "fix", 9.0, 5.0)))
    (file,) = (tmp_path / "findings").rglob("*.parquet")
    (found,) = load_findings(file)
    assert found == row(value=9.0, shot="one", joint="joint0")
    pytest.importorskip("duckdb", reason="needs the extra 'history'")
    record(tmp_path, "2024-01-02", document("one"), document("two"))
    assert load_findings(tmp_path) == []  # its last run found nothing


def test_what_is_no_table_of_findings(tmp_path: Path) -> None:
    other = tmp_path / "other.parquet"
    pq.write_table(pa.table({"shot": ["a"]}), other)
    for path in (other, tmp_path / "none.parquet", Path(__file__)):
        with pytest.raises(InputError, match=str(path)):
            load_findings(path)
