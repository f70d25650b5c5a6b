"""A record is whole files that any reader of Parquet reads."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd
import pyarrow.dataset as pads
import pyarrow.parquet as pq
import pytest

from audit.demo import demo_shots
from audit.errors import OutputError, UsageError
from audit.gate import UnchangedFile
from audit.history import Recorder, rig_of, table_schema
from audit.history.columns import TABLES, VERSION_KEY, whole_runs
from audit.history.record import MOST_IN_NAME
from audit.pipeline import examine
from audit.results import flat_row, schema
from tests.unit.history.making import document, record


def files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


@pytest.fixture(scope="module")
def documents() -> list[dict[str, Any]]:
    return [examine(shot).document for shot in demo_shots().values()]


def test_rows_hold_what_the_results_hold(documents: list[dict[str, Any]], tmp_path: Path) -> None:
    with Recorder(tmp_path, show_name="a/b é", day=date(2024, 5, 17)) as recorder:
        for each in documents:
            recorder.add(each, passed=False)
        recorder.add_unreadable("x/bad.bvh", "line 3: is damaged")
    shots = pd.read_parquet(tmp_path / "shots")
    assert list(shots["show_name"].astype(str).unique()) == ["a/b é"]
    assert list(shots["date"].astype(str).unique()) == ["2024-05-17"]
    assert shots["status"].tolist() == ["failed"] * len(documents) + ["unreadable"]
    assert shots["reason"].tolist()[-1] == "line 3: is damaged"
    for row, each in zip(shots.to_dict("records"), documents, strict=False):
        assert {name: row[name] for name in each["summary"]} == each["summary"]
        assert row["file"] == each["source"]["file"]
    joints = pq.read_table(tmp_path / "joints").to_pylist()
    expected = [flat_row(row) for each in documents for row in each["joints"]]
    assert len(joints) == len(expected)
    for row, flat in zip(joints, expected, strict=True):
        for name, value in flat.items():
            assert row[name.replace(".", "_").lower()] == value, name
    findings = pq.read_table(tmp_path / "findings").to_pylist()
    assert len(findings) == sum(
        len(rows)
        for each in documents
        for rows in (each["findings"], *(row["findings"] for row in each["joints"]))
    )


def test_each_column_of_the_results_has_one_in_the_record() -> None:
    fields = set(schema()["$defs"]["joint"]["properties"])
    columns = table_schema("joints").names
    missing = [name for name in fields if not any(each.startswith(name) for each in columns)]
    assert missing == []


def test_any_reader_reads_it(tmp_path: Path) -> None:
    record(tmp_path, "2024-01-01", document("one", ("joint0", "twist", "fix", 9.0, 5.0)))
    record(tmp_path, "2024-01-02", document("one"))
    for table in TABLES:
        paths = files(tmp_path / table)
        by_pandas = pd.concat([pd.read_parquet(path) for path in paths])
        by_arrow = pads.dataset(tmp_path / table, partitioning="hive").to_table()
        assert len(by_pandas) == by_arrow.num_rows
        assert pq.read_schema(paths[0]).metadata[VERSION_KEY] == b"2"
    duckdb = pytest.importorskip("duckdb", reason="needs the extra 'history'")
    with duckdb.connect() as connection:
        (count,) = connection.execute(
            f"select count(*), min(date), max(show_name) from '{tmp_path}/shots/*/*/*.parquet'"
        ).fetchall()
    assert count == (2, date(2024, 1, 1), "harbour")


def test_many_rows_are_written_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("audit.history.record.ROWS_AT_ONCE", 10)
    with Recorder(tmp_path) as recorder:
        for number in range(25):
            recorder.add(document(f"shot{number}"), passed=True)
        assert max(len(rows) for rows in recorder._rows.values()) < 10
    assert pq.read_table(tmp_path / "joints").num_rows == 100
    assert pq.ParquetFile(files(tmp_path / "joints")[0]).num_row_groups > 5


def test_an_error_leaves_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "record"

    def stopped(name: str, error: type[BaseException]) -> None:
        with Recorder(folder) as recorder:
            recorder.add(document(name), passed=True)
            raise error

    with pytest.raises(ZeroDivisionError):
        stopped("one", ZeroDivisionError)
    assert not folder.exists()
    record(folder, "2024-01-01", document("one"))
    before = files(folder)
    with pytest.raises(KeyboardInterrupt):
        stopped("two", KeyboardInterrupt)
    assert files(folder) == before


def test_a_file_that_cannot_be_placed_takes_the_others_back(tmp_path: Path) -> None:
    record(tmp_path, "2024-01-01", document("one", ("joint0", "twist", "fix", 9.0, 5.0)))
    before = files(tmp_path)
    (tmp_path / "shots" / "show_name=harbour" / "date=2024-01-02").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"):
        record(tmp_path, "2024-01-02", document("one", ("joint0", "twist", "fix", 9.0, 5.0)))
    assert [path for path in files(tmp_path) if path.suffix == ".parquet"] == before


def test_an_empty_run_records_nothing(tmp_path: Path) -> None:
    with Recorder(tmp_path / "record"):
        pass
    assert not (tmp_path / "record").exists()


def test_a_folder_that_cannot_be_written_is_known_at_the_start(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"), Recorder(tmp_path / "file" / "x"):
        pytest.fail("the work was begun")


def test_a_show_needs_a_name(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="needs a name"):
        Recorder(tmp_path, show_name=" ")


def test_names_that_are_no_text(tmp_path: Path) -> None:
    made = document("one")
    made["source"]["file"] = "shots/\udcff.bvh"
    with Recorder(tmp_path, show_name="../..") as recorder:
        recorder.add(made, passed=True)
    assert [path.relative_to(tmp_path).parts[0] for path in files(tmp_path)] == ["joints", "shots"]
    (row,) = pq.read_table(tmp_path / "shots").to_pylist()
    assert row["file"] == "shots/\\udcff.bvh"
    assert row["show_name"] == "../.."


def test_waived_findings_do_not_count(tmp_path: Path) -> None:
    made = document("one")
    found = {"joint": "joint0", "check": "twist", "severity": "fix", "message": "m"}
    rows = [found | {"value": 9.0, "limit": 5.0, "waived": True}]
    with Recorder(tmp_path) as recorder:
        joints = [flat_row(row) for row in made["joints"]]
        recorder.add_shot(made["source"], joints, rows, passed=True, label="sh010")
    (shot,) = pq.read_table(tmp_path / "shots").to_pylist()
    assert (shot["shot"], shot["fix"], shot["status"]) == ("sh010", 0, "passed")
    (finding,) = pq.read_table(tmp_path / "findings").to_pylist()
    assert finding["waived"] is True


def test_rigs_are_told_apart_by_names_and_parents() -> None:
    def rows(*pairs: tuple[str, str | None]) -> list[dict[str, Any]]:
        return [{"joint": joint, "parent": parent} for joint, parent in pairs]

    one = rig_of(rows(("Hips", None), ("Knee", "Hips")))
    assert one.startswith("Hips-")
    assert one == rig_of(rows(("Hips", None), ("Knee", "Hips")))
    assert one != rig_of(rows(("Hips", None), ("Knee", None)))
    assert rig_of([]).startswith("empty-")
    # A folder is called after it, and systems allow no name to be endless.
    long = rig_of(rows(("ü" * 300, None)))
    assert len(quote(long)) <= MOST_IN_NAME + len("-12345678")
    assert long != rig_of(rows(("ü" * 301, None)))


BAD = ("joint0", "twist", "fix", 9.0, 5.0)


@pytest.mark.parametrize(
    ("partition", "folders"),
    [
        (["show", "day"], "show_name=harbour/date=2024-05-17"),
        (["show", "month"], "show_name=harbour/month=2024-05"),
        (["year", "rig"], "year=2024/rig=crane-1"),
        (["rig"], "rig=crane-1"),
        (
            ["day", "month", "year", "show"],
            "date=2024-05-17/month=2024-05/year=2024/show_name=harbour",
        ),
    ],
)
def test_what_files_are_parted_by(tmp_path: Path, partition: list[str], folders: str) -> None:
    record(tmp_path, "2024-05-17", document("one", BAD), partition=partition, rigs=["crane-1"])
    for table in TABLES:
        (path,) = files(tmp_path / table)
        assert path.parent == tmp_path / table / folders
        # No reader has to choose: what the folders say does not stand in the file, and the other way round.
        columns = pq.read_schema(path).names
        assert ("show_name" in columns) is ("show" not in partition)
        assert ("date" in columns) is ("day" not in partition)
        assert ("rig" in columns) is ("rig" not in partition)
        by_arrow = pads.dataset(tmp_path / table, partitioning="hive").to_table().to_pylist()
        assert {(row["show_name"], str(row["date"]), row["rig"]) for row in by_arrow} == {
            ("harbour", "2024-05-17", "crane-1")
        }
        assert len(pd.read_parquet(tmp_path / table)) == len(by_arrow) > 0


def test_a_run_of_many_rigs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("audit.history.record.ROWS_AT_ONCE", 4)
    monkeypatch.setattr("audit.history.record.MOST_OPEN", 2)
    made = [document(f"shot{number}") for number in range(12)]
    rigs = [f"rig {number % 5}/é" for number in range(12)]
    with Recorder(tmp_path, partition=["rig", "month"]) as recorder:
        for each, rig in zip(made, rigs, strict=True):
            recorder.add(each, passed=True, rig=rig)
            assert len(recorder._writers) <= 2
        recorder.add_unreadable("x/bad.bvh", "is damaged")
    rows = pads.dataset(tmp_path / "shots", partitioning="hive").to_table().to_pylist()
    assert sorted((row["shot"], row["rig"]) for row in rows if row["rig"]) == sorted(
        (f"shot{number}", rig) for number, rig in enumerate(rigs)
    )
    assert [row["shot"] for row in rows if row["rig"] is None] == ["bad"]
    names = [path.name for path in files(tmp_path / "shots")]
    counts = {name.rsplit("-of-", 1)[1] for name in names}
    assert counts == {f"{len(names)}.parquet"}
    assert len(set(names)) == len(names) > 6
    paths = [str(path) for path in files(tmp_path / "shots")]
    assert whole_runs(paths) == paths
    assert whole_runs(paths[1:]) == []
    assert whole_runs([*paths[1:], "other.parquet"]) == ["other.parquet"]


def test_of_many_rigs_all_files_are_placed_or_none(tmp_path: Path) -> None:
    (tmp_path / "shots").mkdir()
    (tmp_path / "shots" / "rig=b").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"):
        record(tmp_path, "2024-01-02", *map(document, "ab"), partition=["rig"], rigs=["a", "b"])
    assert files(tmp_path) == [tmp_path / "shots" / "rig=b"]


def test_files_that_are_unchanged(tmp_path: Path) -> None:
    file = UnchangedFile("x/one.glb", "a" * 64, None, "b" * 64, (("é.bin", "c" * 64), ("d", None)))
    with Recorder(tmp_path) as recorder:
        recorder.add_unchanged(file)
    assert [path.parts[-4] for path in files(tmp_path)] == ["shots"]
    (row,) = pq.read_table(tmp_path / "shots").to_pylist()
    told = {name: value for name, value in row.items() if value is not None}
    assert json.loads(told.pop("read_beside")) == [["é.bin", "c" * 64], ["d", None]]
    for name in ("run", "recorded_at", "show_name", "date", "tool_version"):
        told.pop(name)
    assert told == {
        "shot": "one",
        "file": "x/one.glb",
        "path": "x/one.glb",
        "sha256": "a" * 64,
        "passed_under": "b" * 64,
        "status": "unchanged",
    }
