"""Which files passed, as a file of a record tells. The rest stands in ``tests/cli/test_changed_since.py``."""

from __future__ import annotations

from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.gate import HeldPolicies, Options, UnchangedFile
from audit.history import EarlierPasses, PassedUnder, unchanged

OPTIONS = Options()


@pytest.fixture
def under(monkeypatch: pytest.MonkeyPatch) -> PassedUnder:
    """Return what a run without any options passes files under."""
    return PassedUnder(OPTIONS, HeldPolicies(OPTIONS), None)


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    path = tmp_path / "one.bvh"
    path.write_bytes(b"some motion")
    return path


def row(path: Path, passed_under: str | None, /, **changes: Any) -> dict[str, Any]:
    """Return a row of the table of shots."""
    return {
        "run": "first",
        "recorded_at": datetime(2024, 1, 1, tzinfo=UTC),
        "file": str(path),
        "path": str(path),
        "sha256": sha256(path.read_bytes()).hexdigest(),
        "status": "passed",
        "passed_under": passed_under,
        "read_beside": None,
        **changes,
    }


def among(tmp_path: Path, under: PassedUnder, shot: Path, *rows: dict[str, Any]) -> list[object]:
    file = tmp_path / "shots.parquet"
    pq.write_table(pa.Table.from_pylist(list(rows)), file)
    return list(EarlierPasses(file, None, under).among([str(shot)]))


def test_a_file_that_passed(tmp_path: Path, under: PassedUnder, shot: Path) -> None:
    mark = under.of(str(shot))
    (found,) = among(tmp_path, under, shot, row(shot, mark))
    digest = sha256(b"some motion").hexdigest()
    assert found == UnchangedFile(str(shot), digest, None, mark)


@pytest.mark.parametrize(
    "changes",
    [
        {"sha256": "0" * 64},
        {"sha256": None},
        {"passed_under": "0" * 64},
        {"passed_under": None},
        {"read_beside": "[not JSON"},
        {"read_beside": "[1, 2]"},
        {"read_beside": '[["gone.bin", "00"]]'},
    ],
)
def test_a_file_that_did_not(
    tmp_path: Path, under: PassedUnder, shot: Path, changes: dict[str, Any]
) -> None:
    rows = [row(shot, under.of(str(shot)), **changes)]
    assert among(tmp_path, under, shot, *rows) == [str(shot)]


def test_a_file_beside_that_was_missing_and_appears(
    tmp_path: Path, under: PassedUnder, shot: Path
) -> None:
    rows = [row(shot, under.of(str(shot)), read_beside='[["gone.bin", null]]')]
    (found,) = among(tmp_path, under, shot, *rows)
    assert isinstance(found, UnchangedFile)
    assert found.beside == (("gone.bin", None),)
    (tmp_path / "gone.bin").write_bytes(b"")
    assert among(tmp_path, under, shot, *rows) == [str(shot)]


def test_two_files_of_the_same_bytes_with_others_beside(
    tmp_path: Path, under: PassedUnder, shot: Path
) -> None:
    (tmp_path / "a.bin").write_bytes(b"keys")
    digest = sha256(b"keys").hexdigest()
    mark = under.of(str(shot))
    other = row(shot, mark, path="other.bvh", read_beside='[["b.bin", "00"]]')
    rows = [other, row(shot, mark, read_beside=f'[["a.bin", "{digest}"]]')]
    (found,) = among(tmp_path, under, shot, *rows)
    assert isinstance(found, UnchangedFile)
    assert found.beside == (("a.bin", digest),)
    (tmp_path / "a.bin").write_bytes(b"kexs")
    assert among(tmp_path, under, shot, *rows) == [str(shot)]


def test_of_several_runs_in_one_file_the_last_counts(
    tmp_path: Path, under: PassedUnder, shot: Path
) -> None:
    mark = under.of(str(shot))
    later = {"run": "second", "recorded_at": datetime(2024, 1, 2, tzinfo=UTC)}
    failed = row(shot, None, status="failed", **later)
    assert among(tmp_path, under, shot, row(shot, mark), failed) == [str(shot)]
    assert among(tmp_path, under, shot, failed, row(shot, mark)) == [str(shot)]
    others = row(shot, None, status="failed", path="other.bvh", **later)
    (found,) = among(tmp_path, under, shot, row(shot, mark), others)
    assert isinstance(found, UnchangedFile)
    # A shot of a file of several, and the file itself when it could not be read later.
    named = row(shot, mark, file=f"{shot}#left")
    unread = row(shot, None, status="unreadable", sha256=None, **later)
    assert among(tmp_path, under, shot, named, unread) == [str(shot)]


def test_where_nothing_passed_no_file_is_read(
    tmp_path: Path, under: PassedUnder, shot: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unchanged, "digest_or_none", pytest.fail)
    assert among(tmp_path, under, shot, row(shot, None)) == [str(shot)]


def test_many_files_keep_their_order(tmp_path: Path, under: PassedUnder, shot: Path) -> None:
    paths = [tmp_path / f"{number:03}.bvh" for number in range(150)]
    for number, path in enumerate(paths):
        path.write_bytes(b"%d" % number)
    rows = [row(path, under.of(str(path))) for path in paths[::2]]
    file = tmp_path / "shots.parquet"
    pq.write_table(pa.Table.from_pylist(rows), file)
    names = [*map(str, paths), str(tmp_path / "none.bvh")]
    found = list(EarlierPasses(file, None, under).among(names))
    assert [each if isinstance(each, str) else each.path for each in found] == names
    assert [isinstance(each, UnchangedFile) for each in found] == [True, False] * 75 + [False]


def test_another_version_of_what_reads_a_format_is_another_digest(
    under: PassedUnder, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = under.of("a.usda")
    monkeypatch.setattr(unchanged, "version", lambda name: "99")
    assert PassedUnder(OPTIONS, HeldPolicies(OPTIONS), None).of("a.usda") != before


def test_a_policy_that_is_edited_in_mid_run_leaves_nothing_to_go_by(tmp_path: Path) -> None:
    policy = tmp_path / "policy.toml"
    policy.write_text("fail_on = 'fix'\n")
    held = HeldPolicies(OPTIONS)
    under = PassedUnder(OPTIONS, held, None)
    path = str(tmp_path / "one.bvh")
    held.read([path])
    policy.write_text("fail_on = 'never'\n")
    assert under.of(path) is None
    assert PassedUnder(OPTIONS, HeldPolicies(OPTIONS), None).of(path) is not None
