"""A record answers questions, and a question can do nothing else."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.errors import InputError, UsageError
from audit.gate import UnchangedFile
from audit.history.columns import TABLES, VERSION_KEY
from audit.history.query import History
from audit.history.record import Recorder
from tests.unit.history.making import document, record

pytest.importorskip("duckdb", reason="needs the extra 'history'")

BAD = ("joint0", "twist", "fix", 20.0, 5.0)
WORSE = ("joint0", "twist", "fix", 30.0, 5.0)
NOTE = ("joint1", "clutter", "note", 1.0, 0.0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a record of three days.

    ``good`` passes always, ``bad`` never, ``mended`` from the second day on, ``worse`` gets worse on the third;
    ``later`` comes on the third day only, and a shot of the same name as ``good`` belongs to another show.
    """
    out = tmp_path / "record"
    record(
        out, "2024-01-01", document("good", NOTE), document("bad", BAD), document("mended", BAD),
        document("worse", BAD),
    )  # fmt: skip
    record(
        out, "2024-01-05", document("good"), document("bad", BAD), document("mended"),
        document("worse", BAD),
    )  # fmt: skip
    record(
        out, "2024-01-09", document("good"), document("worse", WORSE), document("later", BAD),
    )  # fmt: skip
    record(out, "2024-01-09", document("good", BAD), show="island")
    return out


def test_shots_that_never_passed(folder: Path) -> None:
    with History(folder) as history:
        rows = [
            (row["show_name"], row["shot"], row["runs"], row["first_date"], row["last_fix"])
            for row in history.never_passed().dicts()
        ]
    assert rows == [
        ("harbour", "later", 1, date(2024, 1, 9), 1),
        ("harbour", "worse", 3, date(2024, 1, 1), 1),
        ("island", "good", 1, date(2024, 1, 9), 1),
        ("harbour", "bad", 2, date(2024, 1, 1), 1),
    ]


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (date(2024, 1, 9), [("worse", "harbour", "worse")]),
        (date(2024, 1, 2), [("worse", "harbour", "worse")]),
        (date(2024, 1, 1), []),  # nothing is older
        (date(2025, 1, 1), []),  # nothing is newer
    ],
)
def test_what_got_worse(folder: Path, day: date, expected: list[tuple[str, ...]]) -> None:
    with History(folder) as history:
        rows = history.worse_since(day).dicts()
    assert [(row["news"], row["show_name"], row["shot"]) for row in rows] == expected


def test_what_is_new(folder: Path) -> None:
    record(folder, "2024-02-01", document("good", BAD))
    with History(folder) as history:
        (row,) = history.worse_since(date(2024, 2, 1)).dicts()
    assert (row["news"], row["shot"], row["joint"]) == ("new", "good", "joint0")
    assert row["message"] == "twist of 20.0"


def test_worst_joints_are_those_whose_offsets_save_most(folder: Path) -> None:
    with History(folder) as history:
        rows = history.worst_joints().dicts()
        assert [row["keys_saved"] for row in rows] == sorted(
            (row["keys_saved"] for row in rows), reverse=True
        )
        assert {row["joint"] for row in rows} == {f"joint{number}" for number in range(4)}
        # Six shots, each counted at its last recording only.
        assert {row["shots"] for row in rows} == {6}
        assert len(history.worst_joints(most=2).rows) == 2
        (rig,) = history.rigs()
        assert len(history.worst_joints(rig=rig).rows) == 4
        assert history.worst_joints(rig="none").rows == []
        assert history.worst_joints(since=date(2024, 1, 9)).dicts()[0]["shots"] == 4


def test_the_trend_of_a_rig(folder: Path) -> None:
    record(folder, "2024-01-05", document("mended", BAD))  # a second run on that day counts
    with History(folder) as history:
        rows = history.trend().dicts()
        assert history.last_day() == date(2024, 1, 9)
    assert [(row["date"].day, row["shots"], row["passed"], row["fix"]) for row in rows] == [
        (1, 4, 1, 3),
        (5, 4, 1, 3),
        (9, 4, 1, 3),
    ]


def test_ones_own_question(folder: Path) -> None:
    with History(folder) as history:
        answer = history.ask(
            "select shot, count(*) as runs from shots where show_name = 'harbour' "
            "group by shot order by runs desc, shot limit 2"
        )
        assert answer.columns == ("shot", "runs")
        assert answer.rows == [("good", 3), ("worse", 3)]
        assert history.ask("from findings where severity = 'note'").dicts()[0]["joint"] == "joint1"
        assert history.ask("describe joints").rows
        assert history.ask("explain select 1").rows


@pytest.mark.parametrize(
    "question",
    [
        "copy (select 1) to '{tmp}/out.csv'",
        "copy shots to '{tmp}/record/out.parquet'",
        "select * from read_csv('/etc/passwd')",
        "select * from read_text('{tmp}/secret')",
        "select * from read_blob('{tmp}/secret')",
        "select * from '{tmp}/record/shots/*/*/*.parquet'",
        "select * from glob('{tmp}/*')",
        "attach '{tmp}/other.db'",
        "export database '{tmp}/out'",
        "install httpfs",
        "load httpfs",
        "set enable_external_access = true",
        "reset lock_configuration",
        "pragma database_list",
        "create table mine as select 1",
        "drop view shots",
        "insert into shots select * from shots",
        "select 1; select 2",
        "select * from secret",
        "select * from folder",
        "select getenv('HOME')",
        "selec 1",
        "",
        "call pragma_version()",
    ],
)
def test_a_question_reaches_nothing_and_changes_nothing(
    folder: Path, tmp_path: Path, question: str
) -> None:
    secret = tmp_path / "secret"  # also a variable of this name, which SQL must not find
    secret.write_text("hidden", encoding="utf-8")
    before = sorted(path for path in tmp_path.rglob("*"))
    with History(folder) as history:
        with pytest.raises(UsageError, match="question"):
            history.ask(question.format(tmp=tmp_path))
        assert history.ask("select count(*) from shots").rows == [(12,)]
    assert sorted(path for path in tmp_path.rglob("*")) == before


def test_a_run_that_was_cut_off_between_its_files_does_not_count(folder: Path) -> None:
    newest = max(folder.glob("shots/show_name=island/*/*.parquet"))
    newest.unlink()
    with History(folder) as history:
        assert history.ask("select count(*) from findings where show_name = 'island'").rows == [
            (0,)
        ]
        assert history.ask("select count(*) from joints where show_name = 'island'").rows == [(0,)]
        assert history.ask("select count(*) from joints").rows == [(44,)]


def test_of_a_run_of_several_files_none_may_be_missing(folder: Path) -> None:
    made = [document(name, BAD) for name in ("one", "two")]
    record(folder, "2024-02-01", *made, partition=["rig", "show"], rigs=["a", "b"])
    with History(folder) as history:
        assert history.ask("select count(*) from shots where date = '2024-02-01'").rows == [(2,)]
    next(folder.glob("shots/rig=a/*/*.parquet")).unlink()
    with History(folder) as history:
        for table in TABLES:
            question = f"select count(*) from {table} where date = '2024-02-01'"
            assert history.ask(question).rows == [(0,)]


PARTITIONS = (
    ("show", "day"),
    ("show", "month"),
    ("rig",),
    ("year", "month", "day", "rig", "show"),
    ("day",),
)


def test_a_record_that_was_parted_in_many_ways_answers_as_one_of_one_way(tmp_path: Path) -> None:
    runs = [
        ("2024-01-01", "harbour", [document("good", NOTE), document("bad", BAD)]),
        ("2024-01-05", "harbour", [document("good"), document("bad", BAD)]),
        ("2024-01-05", "island", [document("good", BAD)]),
        ("2024-02-09", "a=b/c é%2F", [document("good")]),
        ("2024-02-09", "harbour", [document("good", BAD), document("bad", WORSE)]),
    ]
    rigs = ["crane-1", "mast 2/é=%"]
    for partition, (day, show, documents) in zip(PARTITIONS, runs, strict=True):
        given = {"show": show, "rigs": rigs[: len(documents)]}
        record(tmp_path / "same", day, *documents, **given)
        record(tmp_path / "mixed", day, *documents, **given, partition=partition)
    told = []
    for name in ("same", "mixed"):
        with History(tmp_path / name) as history:
            asked = [
                history.worst_joints(),
                history.worse_since(date(2024, 2, 1)),
                history.never_passed(),
                history.trend(),
                history.trend(rig=rigs[1]),
                history.ask("select show_name, rig, shot, date, status from shots order by all"),
                history.ask("select * exclude (run, recorded_at) from findings order by all"),
            ]
            assert all(each.rows for each in asked)
            told.append((asked, history.rigs(), history.findings_at(None), history.last_day()))
    assert told[0] == told[1]


def test_files_that_were_not_checked_again_count_as_they_were(tmp_path: Path) -> None:
    def unchanged(day: str, *names: str) -> None:
        with Recorder(tmp_path, show_name="harbour", day=date.fromisoformat(day)) as recorder:
            for name in names:
                path = f"shots/{name}.bvh"
                recorder.add_unchanged(UnchangedFile(path, "0" * 64, None, "1" * 64))

    record(tmp_path, "2024-01-01", document("good", NOTE), document("bad", BAD))
    record(tmp_path, "2024-01-02", document("bad", BAD))
    unchanged("2024-01-02", "good")
    unchanged("2024-01-03", "good", "renamed")
    with History(tmp_path) as history:
        trend = [
            (row["date"].day, row["shots"], row["passed"], row["fix"])
            for row in history.trend().dicts()
        ]
        # One that was given another name is missing there until it is checked again.
        assert trend == [(1, 2, 1, 1), (2, 2, 1, 1), (3, 1, 1, 0)]
        assert history.last_day() == date(2024, 1, 3)
        assert [row["shot"] for row in history.never_passed().dicts()] == ["bad"]
        assert history.worse_since(date(2024, 1, 2)).rows == []
        assert [row["shot"] for row in history.findings_at(None)] == ["bad", "good"]
        assert history.worst_joints().dicts()[0]["shots"] == 2
        assert history.ask("select count(*), max(status) from shots").rows == [(3, "passed")]
        assert sorted(history.passes()) == [("0" * 64, "1" * 64, None)]
        assert list(history.passes("island")) == []


def test_a_record_without_findings(tmp_path: Path) -> None:
    record(tmp_path, "2024-01-01", document("good"))
    with History(tmp_path) as history:
        assert history.worse_since(date(2024, 1, 1)).rows == []
        assert history.never_passed().rows == []
        assert len(history.worst_joints().rows) == 4


def test_what_is_no_record(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds no record"):
        History(tmp_path)
    with pytest.raises(InputError, match="holds no record"):
        History(tmp_path / "none")
    record(tmp_path, "2024-01-01", document("good"))
    place = tmp_path / "shots" / "show_name=x" / "date=2024-01-01"
    place.mkdir(parents=True)
    broken = place / "99999999T000000Z-0.parquet"
    broken.write_bytes(b"nonsense")
    with pytest.raises(InputError, match="is no Parquet file"):
        History(tmp_path)
    table = pa.table({"run": ["a"]}).replace_schema_metadata({VERSION_KEY: b"99"})
    pq.write_table(table, broken)
    with pytest.raises(InputError, match="was not recorded by this version"):
        History(tmp_path)


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str, package: str | None = None) -> object:
        raise ImportError(name)

    monkeypatch.setattr("audit.history.query.import_module", missing)
    with pytest.raises(UsageError, match=r"pip install 'hinge-audit\[history\]'"):
        History(tmp_path)
